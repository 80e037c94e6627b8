// A configuration, and the files that it includes: each begins behind a line "#file NAME" of the input.
#include "fleet/files.h"

#include <map>

#include "fuzz/fuzz.h"

using namespace probekeeper;
namespace fs = std::filesystem;

namespace {

class FilesInMemory final : public fleet::Files {
public:
    explicit FilesInMemory(std::string_view input) {
        constexpr std::string_view mark = "\n#file ";
        std::string name = "main.toml";
        for (;;) {
            auto const end = input.find(mark);
            files_[name] = std::string{input.substr(0, end)};
            if (end == std::string_view::npos) {
                return;
            }
            input.remove_prefix(end + mark.size());
            auto const line = std::min(input.find('\n'), input.size());
            name = std::string{input.substr(0, line)};
            input.remove_prefix(line);
        }
    }
    [[nodiscard]] std::optional<std::string> text(fs::path const& file) const override {
        auto const found = files_.find(file.string());
        return found == files_.end() ? std::nullopt : std::optional{found->second};
    }
    // All the others, where the pattern has a wildcard.
    [[nodiscard]] std::vector<fs::path> matching(fs::path const&, std::string const& pattern) const override {
        std::vector<fs::path> found;
        for (auto const& [name, text] : files_) {
            if (name == pattern || pattern.find('*') != std::string::npos) {
                found.emplace_back(name);
            }
        }
        return found;
    }

private:
    std::map<std::string, std::string> files_;
};

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(std::uint8_t const* data, std::size_t size) {
    auto const loaded = fleet::load("main.toml", FilesInMemory{fuzz::text_of(data, size)});
    fuzz::require(loaded.fleet.has_value() == loaded.problems.empty(), "there is a fleet or a problem");
    for (auto const& problem : loaded.problems) {
        fuzz::require(!problem.message.empty() && !to_line(problem).empty(), "a problem is told in words");
    }
    if (loaded.fleet) {
        for (auto const& probe : loaded.fleet->probes) {
            fuzz::require(probe.site < loaded.fleet->sites.size(), "a probe has a site");
            fuzz::require(!probe.line || (*probe.line < loaded.fleet->lines.size() && probe.register_map &&
                                          *probe.register_map < loaded.fleet->register_maps.size()),
                          "a polled probe has a line and a register map");
        }
    }
    return 0;
}

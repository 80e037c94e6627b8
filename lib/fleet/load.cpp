#include "fleet/load.h"

#include <spdlog/fmt/fmt.h>

#include <map>
#include <set>

#include "fleet/files.h"
#include "fleet/resolve.h"

namespace probekeeper::fleet {
namespace {

namespace fs = std::filesystem;

class Loader {
public:
    explicit Loader(Files const& files) : files_{files} {}

    Loaded load(fs::path const& file) {
        fleet_.store.path = file.parent_path() / fleet_.store.path;
        read_file(file, /*is_top=*/true);
        Loaded loaded;
        loaded.tokens_file = fleet_.http.tokens_file;
        resolve(std::move(written_), fleet_, loaded.notices, problems_);
        loaded.problems = problems_.sorted();
        if (loaded.problems.empty()) {
            loaded.fleet = std::move(fleet_);
        }
        return loaded;
    }

private:
    void read_file(fs::path const& file, bool is_top) {
        std::error_code error;
        seen_.insert(fs::weakly_canonical(file, error));
        auto const number = problems_.add_file(file);
        auto const text = files_.text(file);
        if (!text) {
            written_.complete = false;
            problems_.add({number, 0}, "cannot be read");
            return;
        }
        auto const parsed = parse_toml(*text);
        if (auto const* syntax = std::get_if<SyntaxError>(&parsed)) {
            written_.complete = false;
            problems_.add({number, syntax->line}, fmt::format("syntax error: {}", syntax->message));
            return;
        }
        Section top{
            std::get<TomlTable>(parsed), is_top ? "the file" : "an included file", {number, 0}, problems_};
        auto const includes = is_top ? top.texts("include") : std::vector<Text>{};
        if (!is_top) {
            top.refuse("include", "only the file named on the command line includes others");
        }
        read_settings(top);
        read_items(top);
        top.finish();
        for (auto const& include : includes) {
            read_included(include);
        }
    }

    void read_included(Text const& include) {
        auto const files = files_.matching(problems_.folder(include.where.file), include.value);
        if (files.empty() && include.value.find_first_of("*?[") == std::string::npos) {
            written_.complete = false;
            problems_.add(include.where, fmt::format("include \"{}\" matches no file", include.value));
        }
        for (auto const& file : files) {
            std::error_code error;
            if (!seen_.contains(fs::weakly_canonical(file, error))) {
                read_file(file, /*is_top=*/false);
            }
        }
    }

    // Tables that may stand once in all files together.
    std::optional<Section> single(Section& top, std::string const& key) {
        auto section = top.table(key, fmt::format("[{}]", key));
        if (!section) {
            return std::nullopt;
        }
        auto const [at, is_new] = singles_.emplace(key, section->where());
        if (!is_new) {
            problems_.add(section->where(),
                          fmt::format("[{}] stands already at {}", key, problems_.shown(at->second)));
            return std::nullopt;
        }
        return section;
    }

    void read_settings(Section& top) {
        if (auto section = single(top, "store")) {
            read_store(*section, fleet_.store);
        }
        if (auto section = single(top, "http")) {
            fleet_.http = read_http(*section);
        }
        if (auto section = single(top, "scada")) {
            fleet_.scada = read_scada(*section);
        }
        if (auto section = single(top, "hub")) {
            fleet_.hub = read_hub(*section);
        }
        if (auto section = single(top, "rounds")) {
            fleet_.rounds = fleet::read_rounds(*section);
        }
        if (auto section = single(top, "limits")) {
            written_.limits = read_limits(*section);
        }
    }

    void read_items(Section& top) {
        for (auto& section : top.tables("site")) {
            written_.sites.push_back(read_site(section));
        }
        for (auto& section : top.tables("depot")) {
            written_.depots.push_back(read_depot(section));
        }
        for (auto& section : top.tables("technician")) {
            written_.technicians.push_back(read_technician(section));
        }
        for (auto& section : top.tables("line")) {
            written_.lines.push_back(read_line(section));
        }
        for (auto& section : top.tables("register_map")) {
            written_.maps.push_back(read_register_map(section));
        }
        for (auto& section : top.tables("notice")) {
            written_.notices.push_back(read_notice(section));
        }
        for (auto& section : top.tables("probe")) {
            written_.probes.push_back(read_probe(section));
        }
    }

    Files const& files_;
    Problems problems_;
    Fleet fleet_;
    Written written_;
    std::set<fs::path> seen_;
    std::map<std::string, Where> singles_;
};

}  // namespace

Loaded load(std::filesystem::path const& file) {
    return load(file, DiskFiles{});
}

Loaded load(std::filesystem::path const& file, Files const& files) {
    return Loader{files}.load(file);
}

std::string to_line(Problem const& problem) {
    return fmt::format("{}:{}: {}", problem.file.string(), problem.line, problem.message);
}

}  // namespace probekeeper::fleet

#include "fleet/files.h"

#include <glob.h>

#include <fstream>
#include <sstream>
#include <string_view>

namespace probekeeper::fleet {
namespace {

namespace fs = std::filesystem;

struct Glob {
    glob_t found{};
    Glob() = default;
    Glob(Glob const&) = delete;
    ~Glob() { globfree(&found); }
};

}  // namespace

std::optional<std::string> DiskFiles::text(fs::path const& file) const {
    std::error_code error;
    std::ifstream in{file, std::ios::binary};
    if (!in || fs::is_directory(file, error)) {
        return std::nullopt;
    }
    std::ostringstream text;
    text << in.rdbuf();
    return text.str();
}

std::vector<fs::path> DiskFiles::matching(fs::path const& folder, std::string const& pattern) const {
    std::string full;
    for (char const c :
         fs::path{pattern}.is_absolute() || folder.empty() ? std::string{} : folder.string() + "/") {
        if (std::string_view{"*?[]\\"}.find(c) != std::string_view::npos) {
            full += '\\';
        }
        full += c;
    }
    Glob glob;
    std::vector<fs::path> files;
    // Only the look-up of a user, which ~ asks for, is not for several threads; no flag turns it on here.
    if (::glob((full + pattern).c_str(), 0, nullptr, &glob.found) == 0) {  // NOLINT(concurrency-mt-unsafe)
        files.assign(glob.found.gl_pathv, glob.found.gl_pathv + glob.found.gl_pathc);
    }
    return files;
}

}  // namespace probekeeper::fleet

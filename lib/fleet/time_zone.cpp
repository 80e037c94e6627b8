#include "fleet/time_zone.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <filesystem>
#include <vector>

#include "base/text.h"

namespace probekeeper::fleet {
namespace {

namespace fs = std::filesystem;

// Where the tz database lies on Linux: tzfile(5) of the man-pages project.
fs::path const zones = "/usr/share/zoneinfo";

// Zone names are capitalised; beside them lie tables and the folders "posix" and "right" with the same again.
bool is_zone_name(std::string_view name) {
    auto const allowed = [](char c) {
        return (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '/' ||
               c == '_' || c == '-' || c == '+';
    };
    return !name.empty() && name[0] >= 'A' && name[0] <= 'Z' &&
           std::all_of(name.begin(), name.end(), allowed);
}

std::vector<std::string> zone_names() {
    std::vector<std::string> names;
    std::error_code error;
    for (fs::recursive_directory_iterator at{zones, error}, end; at != end && !error; at.increment(error)) {
        auto name = at->path().lexically_relative(zones).string();
        if (is_zone_name(name) && at->is_regular_file(error)) {
            names.push_back(std::move(name));
        }
    }
    std::sort(names.begin(), names.end());
    return names;
}

}  // namespace

std::optional<std::string> time_zone_problem(std::string_view name) {
    std::error_code error;
    if (!fs::is_directory(zones, error)) {
        return std::nullopt;
    }
    if (is_zone_name(name) && fs::is_regular_file(zones / name, error)) {
        return std::nullopt;
    }
    auto const nearest = nearest_word(name.substr(0, 64), zone_names());
    return fmt::format("`time_zone` is \"{}\", should be an IANA time zone such as \"{}\"", name,
                       nearest.value_or("Europe/London"));
}

}  // namespace probekeeper::fleet

// A request target taken apart.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

namespace probekeeper::api {

struct Target {
    std::vector<std::string> segments;  // decoded; "/v1/health" is {"v1", "health"}, "/v1/" is {"v1", ""}
    std::vector<std::pair<std::string, std::string>> parameters;  // decoded; a + is a plus
    std::optional<std::string> host;  // of an absolute target ("http://host/path"), as a proxy sends them
};

// Empty where it is neither a path nor an absolute address of well-formed characters. Nothing is tidied up:
// "//",
// ".." and encoded ones stay what they are, and so match no route.
[[nodiscard]] std::optional<Target> parse_target(std::string_view text);

}  // namespace probekeeper::api

// The query parameters of a request, each wrong one told by name.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "api/backend.h"
#include "base/time.h"

namespace probekeeper::api {

// All functions throw Problem (bad_parameter). An empty value counts as absent: forms and scripts send those.
class Query {
public:
    Query() = default;
    // `known`: names with blanks between them. A parameter that is none of them, or comes twice, is refused.
    Query(std::vector<std::pair<std::string, std::string>> parameters, std::string_view known);

    [[nodiscard]] std::optional<std::string> text(std::string_view name) const;
    [[nodiscard]] std::optional<std::string> id(std::string_view name) const;  // shaped like an id
    [[nodiscard]] std::optional<Timestamp> time(std::string_view name) const;
    [[nodiscard]] std::optional<std::int64_t> integer(std::string_view name, std::int64_t lowest,
                                                      std::int64_t highest) const;
    // The place of the value in `words`.
    [[nodiscard]] std::optional<std::size_t> word(std::string_view name,
                                                  std::vector<std::string_view> const& words) const;
    // `limit` and `after`.
    [[nodiscard]] PageRequest page(std::size_t usual = 100, std::size_t most = 1000) const;

private:
    std::vector<std::pair<std::string, std::string>> parameters_;
};

// a-z 0-9 - , 1 to `longest` characters.
[[nodiscard]] bool shaped_like_id(std::string_view text, std::size_t longest = 48);

}  // namespace probekeeper::api

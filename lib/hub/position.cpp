#include "hub/position.h"

#include <spdlog/fmt/fmt.h>

#include "base/text.h"
#include "live/refusals.h"

namespace probekeeper::hub {

api::Answer<Position> position_in(api::PageRequest const& page, std::size_t parts) {
    if (!page.after) {
        return Position{};
    }
    std::vector<std::string> found;
    std::string_view rest = *page.after;
    while (found.size() + 1 < parts) {
        auto const comma = rest.find(',');
        if (comma == std::string_view::npos) {
            return live::bad_position();
        }
        found.emplace_back(rest.substr(0, comma));
        rest.remove_prefix(comma + 1);
    }
    found.emplace_back(rest);
    bool const plain = rest.find(',') == std::string_view::npos;
    return plain ? api::Answer<Position>{Position{std::move(found)}} : live::bad_position();
}

api::Answer<Position> time_position_in(api::PageRequest const& page, std::size_t parts) {
    auto position = position_in(page, parts);
    if (!position || !position.value()) {
        return position;
    }
    auto& first = position.value()->front();
    constexpr std::int64_t furthest_ms = 253'402'300'799'999;  // the year 9999
    auto const ms = parse_integer(first);
    if (!ms || *ms < -furthest_ms || *ms > furthest_ms) {
        return live::bad_position();
    }
    first = to_rfc3339(from_unix_ms(*ms));
    return position;
}

std::string position_of(Timestamp time, std::string_view rest) {
    return rest.empty() ? fmt::format("{}", to_unix_ms(time)) : fmt::format("{},{}", to_unix_ms(time), rest);
}

}  // namespace probekeeper::hub

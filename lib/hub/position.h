// The opaque positions of paged lists: the keys of the last item given, joined by commas; texts of people's
// come last. The same form as a site's own.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "api/backend.h"

namespace probekeeper::hub {

// `after` taken apart into `parts` pieces, or none where there is none.
using Position = std::optional<std::vector<std::string>>;
[[nodiscard]] api::Answer<Position> position_in(api::PageRequest const& page, std::size_t parts);
// The same whose first piece is a time, which is given as PostgreSQL takes it.
[[nodiscard]] api::Answer<Position> time_position_in(api::PageRequest const& page, std::size_t parts);
[[nodiscard]] std::string position_of(Timestamp time, std::string_view rest = {});

// Cuts `items`, read with one more than `limit`, to the limit, and sets next from the last item kept.
template <typename T, typename PositionOf>
[[nodiscard]] api::Page<T> cut(std::vector<T> items, std::size_t limit, PositionOf const& position) {
    api::Page<T> page{std::move(items), std::nullopt};
    if (page.items.size() > limit) {
        page.items.erase(page.items.begin() + static_cast<std::ptrdiff_t>(limit), page.items.end());
        page.next = position(page.items.back());
    }
    return page;
}

}  // namespace probekeeper::hub

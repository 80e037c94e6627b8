// The opaque positions of paged lists: the keys of the last item given, joined by commas. Private to this
// room.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "base/time.h"
#include "store/values.h"

namespace probekeeper::store {

// `after` taken apart into `parts` pieces; throws Fault::bad_position where it is not one of ours.
[[nodiscard]] std::vector<std::string> position_parts(std::string const& after, std::size_t parts);
[[nodiscard]] std::int64_t position_number(std::string const& after, std::string const& part);
[[nodiscard]] std::string position_of(Timestamp time, std::string_view rest = {});

// Throws Fault::bad_position for a limit outside 1..10'000.
void check_limit(PageRequest const& request);

// Cuts `page`, read with one item more than `limit`, to the limit, and sets next from the last item kept.
template <typename T, typename PositionOf>
Page<T> cut(std::vector<T> items, std::size_t limit, PositionOf const& position) {
    Page<T> page{std::move(items), std::nullopt};
    if (page.items.size() > limit) {
        page.items.erase(page.items.begin() + static_cast<std::ptrdiff_t>(limit), page.items.end());
        page.next = position(page.items.back());
    }
    return page;
}

}  // namespace probekeeper::store

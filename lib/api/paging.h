// One page out of a range sorted by id: for backends that hold a list in memory.
#pragma once

#include <algorithm>
#include <string>

#include "api/backend.h"

namespace probekeeper::api {

// Of the items of `range` (sorted by `id_of(item)`) for which `wanted(item)`, those behind the id
// `page.after`, made into T by `make(item)`. An id that has gone since is still a position.
template <typename T, typename Range, typename IdOf, typename Wanted, typename Make>
Page<T> page_by_id(Range const& range, PageRequest const& page, IdOf const& id_of, Wanted const& wanted,
                   Make const& make) {
    auto item = range.begin();
    if (page.after) {
        item =
            std::upper_bound(range.begin(), range.end(), *page.after,
                             [&](std::string const& after, auto const& one) { return after < id_of(one); });
    }
    Page<T> out;
    std::string last;
    for (; item != range.end(); ++item) {
        if (!wanted(*item)) {
            continue;
        }
        if (out.items.size() == page.limit) {
            out.next = last;
            break;
        }
        out.items.push_back(make(*item));
        last = id_of(*item);
    }
    return out;
}

}  // namespace probekeeper::api

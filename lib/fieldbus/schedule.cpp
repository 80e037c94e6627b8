#include "fieldbus/schedule.h"

#include <algorithm>
#include <cassert>

namespace probekeeper::fieldbus {

Schedule::Schedule(SteadyTime start, std::vector<std::chrono::nanoseconds> intervals) {
    auto const count = static_cast<std::int64_t>(intervals.size());
    for (std::int64_t i = 0; i < count; ++i) {
        auto const interval = intervals[static_cast<std::size_t>(i)];
        assert(interval.count() > 0);
        items_.push_back({start + interval * i / count, interval, 0});
    }
}

Schedule::Slot Schedule::next() const {
    auto const earliest = std::min_element(items_.begin(), items_.end(),
                                           [](Item const& a, Item const& b) { return a.due() < b.due(); });
    return {static_cast<std::size_t>(earliest - items_.begin()), earliest->due()};
}

std::uint64_t Schedule::done(std::size_t item, SteadyTime now, long skip) {
    auto& it = items_[item];
    auto const wanted = it.slot + 1 + skip;
    std::int64_t const current = now < it.first ? 0 : (now - it.first) / it.interval;
    it.slot = std::max(wanted, current);
    return static_cast<std::uint64_t>(it.slot - wanted);
}

std::uint64_t Schedule::defer(std::size_t item, SteadyTime earliest) {
    auto& it = items_[item];
    auto const before = it.slot;
    if (earliest > it.due()) {
        auto const wait = earliest - it.first + it.interval - std::chrono::nanoseconds{1};
        it.slot = wait / it.interval;
    }
    return static_cast<std::uint64_t>(it.slot - before);
}

}  // namespace probekeeper::fieldbus

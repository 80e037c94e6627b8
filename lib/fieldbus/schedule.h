// Who is to be polled next: slots on a fixed grid, so that polls neither drift nor pile up.    (pure)
#pragma once

#include <chrono>
#include <cstddef>
#include <cstdint>
#include <vector>

#include "fieldbus/wait.h"

namespace probekeeper::fieldbus {

// Item i has a slot every intervals[i], the first at start + intervals[i] * i / n: the items of a line are
// spread evenly inside the interval and keep their place for good. A slot is good until the next one begins:
// a poll that comes late is still that slot's sample, and one that cannot come at all is missed.
class Schedule {
public:
    Schedule(SteadyTime start, std::vector<std::chrono::nanoseconds> intervals);

    struct Slot {
        std::size_t item = 0;
        SteadyTime due{};
    };
    // The earliest slot that is due; of equal ones the lower item. There must be at least one item.
    [[nodiscard]] Slot next() const;

    // The slot of `item` is used (or given up): its next is the one after, letting `skip` more go by on
    // purpose; where `now` is past that one too, the one that `now` lies in. Returns the slots missed so,
    // without `skip`.
    std::uint64_t done(std::size_t item, SteadyTime now, long skip = 0);

    // The next slot of `item` shall not begin before `earliest`. Returns how many slots that lets go by.
    std::uint64_t defer(std::size_t item, SteadyTime earliest);

private:
    struct Item {
        SteadyTime first{};
        std::chrono::nanoseconds interval{};
        std::int64_t slot = 0;
        [[nodiscard]] SteadyTime due() const { return first + interval * slot; }
    };
    std::vector<Item> items_;
};

}  // namespace probekeeper::fieldbus

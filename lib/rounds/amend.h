// One more visit in a week that people have been told of: as little as possible of what they were told
// changes.
#pragma once

#include "rounds/plan.h"

namespace probekeeper::rounds {

struct AmendSettings {
    std::size_t most_moved = 2;  // other visits, for each new one
    Ticks tolerance = 1800;      // a visit that begins at most so much earlier or later has not moved
    // Visits of which people have been told that nobody comes: they get a place where nobody else moves for
    // them.
    std::vector<int> left;
};

struct Amended {
    Plan plan;
    std::vector<int> moved;  // visits of `published` that change their shift or, by more than the tolerance,
                             // their hour; in order
    std::vector<int> not_placed;  // new ones for which nothing could be found within the bound
};

// `published` holds in `week`; visits that are in none of its routes are the new ones. Of all places for a
// new visit the one is taken that moves the fewest others, and of those the cheapest; only where there is
// none does another visit make room and go to another shift. A place that is dearer than leaving the visit is
// none.
[[nodiscard]] Amended amend(Week const& week, Plan const& published, AmendSettings const& settings = {});

}  // namespace probekeeper::rounds

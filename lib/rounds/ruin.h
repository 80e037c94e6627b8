// A plan by ruin and recreate: take some neighbouring stops out of some neighbouring days, put them back
// greedily but not quite, keep the result where it is better or, early on, not much worse. The ruin is the
// removal of adjacent strings of Christiaens and Vanden Berghe (2020), Transportation Science 54(2):417-433,
// with its parameters (from memory); the acceptance is simulated annealing. For the search of this room
// alone.
#pragma once

#include "rounds/search.h"

namespace probekeeper::rounds {

// `settings.iterations` as given. `begin`: a plan to start from, which must hold; else from nothing.
[[nodiscard]] Found ruin(Week const& week, SearchSettings const& settings, Plan const* begin = nullptr);

}  // namespace probekeeper::rounds

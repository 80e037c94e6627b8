// A week as a mixed-integer program in the LP format, so that a solver that is not ours can be measured on
// it.
#pragma once

#include <string>

#include "rounds/week.h"

namespace probekeeper::rounds {

// Arcs of each shift, begins of visits, a window of each. Without overtime, loads, and shifts that exclude
// each other.
[[nodiscard]] std::string lp_of(Week const& week);

}  // namespace probekeeper::rounds

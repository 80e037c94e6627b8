// From tickets and contracts to tasks: what is to be done at each probe, how long it takes, and why now.
#pragma once

#include "rounds/compose.h"

namespace probekeeper::rounds {

// `left`: tickets that are no task this week, where somebody could wonder why.
[[nodiscard]] std::vector<Task> tasks_of(fleet::Fleet const& fleet, Asked const& asked,
                                         std::vector<NotReached>& left);

}  // namespace probekeeper::rounds

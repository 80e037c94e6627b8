// A round that people have been told of, and what becomes of it when the week changes.
#pragma once

#include "rounds/compose.h"

namespace probekeeper::rounds {

// The plan that `published` is, in the terms of the week as it now is. So that nobody is told another hour
// for nothing, visits of that plan begin no earlier than told: `composed` is changed accordingly. What no
// longer fits where it stood is left out.
[[nodiscard]] Plan plan_of(fleet::Fleet const& fleet, Composed& composed, Round const& published);

// A new ticket moves at most two other visits (see amend.h); what is done or withdrawn leaves a gap. The
// revision is one higher where anything changed.
[[nodiscard]] Round keep_round(fleet::Fleet const& fleet, Asked const& asked, Round const& published);

// The visits of `before` that are no longer with the same technician on the same day within half an hour.
// Visits that nobody makes any more are not among them.
[[nodiscard]] std::vector<Moved> moved_between(Round const& before, Round const& after);

}  // namespace probekeeper::rounds

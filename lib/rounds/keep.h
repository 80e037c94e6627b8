// A round that people have been told of, and what becomes of it when the week changes.
#pragma once

#include "rounds/compose.h"

namespace probekeeper::rounds {

// The plan that `published` is, in the terms of the week as it now is. So that nobody is told another hour
// for nothing, visits of that plan begin no earlier than told: `composed` is changed accordingly. What no
// longer fits where it stood is left out.
[[nodiscard]] Plan plan_of(fleet::Fleet const& fleet, Composed& composed, Round const& published);

// Days whose technician has left by `asked.now` are under way or over: their people can be given nothing else
// on them, and what is done there is not asked for again until a day after they ended, for records come home
// late.
void leave_begun(Asked& asked, Round const& told);
// The same of a round of another week: all that it still holds is somebody's already.
void leave_told(Asked& asked, Round const& told);
// `ahead`, which was planned after leave_begun(), with the days of `told` that had begun by `now`.
void add_begun(Round& ahead, Round const& told, Timestamp now);

// What has begun stays. A new ticket moves at most two other visits (see amend.h); what is done or withdrawn
// leaves a gap. Where anything changed the revision is one higher and `differs` says so.
[[nodiscard]] Round keep_round(fleet::Fleet const& fleet, Asked const& asked, Round const& published);

// The visits of `before` that are no longer with the same technician on the same day within half an hour.
// Visits that nobody makes any more are not among them.
[[nodiscard]] std::vector<Moved> moved_between(Round const& before, Round const& after);

}  // namespace probekeeper::rounds

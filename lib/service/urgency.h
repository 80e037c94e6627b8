// How soon a ticket's reasons want somebody.
#pragma once

#include <optional>
#include <vector>

#include "fleet/fleet.h"
#include "service/ticket.h"

namespace probekeeper::service {

struct Pressing {
    Urgency urgency = Urgency::next_visit;
    std::optional<Timestamp> due;  // none: whenever somebody is there anyway
};

// Of the reasons that are not cleared the most urgent one, and the earliest day that any of them is due:
//   now         a failure where use is control or alarm; due when it was raised, that is the same day
//   this_week   a limit passed where use is control or alarm; due seven days after it was passed or raised,
//               whichever is later, because an estimate of the past must not make a new ticket overdue
//   next_visit  a forecast, due on its day; verification, or any reason where use is monitor, due on no day
// Empty where every reason is cleared.
[[nodiscard]] std::optional<Pressing> pressing(std::vector<TicketReason> const& reasons, fleet::Use use);

}  // namespace probekeeper::service

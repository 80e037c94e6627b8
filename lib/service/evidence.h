// What a diagnosis changes in one unfinished ticket. Private to this room; TicketBook decides which ticket
// and which findings are new.
#pragma once

#include <string>
#include <vector>

#include "diagnosis/verdict.h"
#include "service/probe_facts.h"
#include "service/ticket.h"

namespace probekeeper::service {

// The name of a person in history: never empty, and never the daemon's, because history tells the two apart.
[[nodiscard]] std::string person(std::string const& by);

// A history entry for a change of state; always written.
void move_to(Ticket& ticket, State state, Timestamp at, std::string by, std::string note);

// Joins `fresh` (findings that no ticket of this probe carries yet), follows and clears the others, then
// moves the state on as the evidence asks. Whether anything changed; then plan, urgency, due and updated_at
// are made again.
[[nodiscard]] bool take_evidence(Ticket& ticket, ProbeFacts const& probe,
                                 diagnosis::Diagnosis const& diagnosis,
                                 std::vector<diagnosis::Finding> const& fresh);

}  // namespace probekeeper::service

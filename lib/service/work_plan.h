// What to do about a probe's reasons: the work in a sensible order, what to bring, what the operator does
// with the readings until then, and what to beware of. All of it is common practice of the trade, no source;
// the names of work and parts are the interface's where it gives them.
#pragma once

#include <span>
#include <string>
#include <vector>

#include "diagnosis/verdict.h"
#include "service/probe_facts.h"
#include "service/ticket.h"

namespace probekeeper::service {

struct WorkPlan {
    std::vector<std::string> work;  // in working order, nothing twice
    std::vector<Part> parts;        // the most that any one reason asks for: one visit, one membrane
    std::string meanwhile;          // sentences
    std::vector<std::string> cautions;
};

// The plan for all of `findings` together: one visit, one order of work. Empty for none.
[[nodiscard]] WorkPlan plan_work(std::span<diagnosis::Finding const> findings, ProbeFacts const& probe);

// The pieces of it that are text. `meanwhile` speaks of the failure alone where there is one: what else is
// wrong with a reading that must not be used helps nobody.
[[nodiscard]] std::string meanwhile_for(std::span<diagnosis::Finding const> findings);
// `opens_probe`: electrolyte comes out. `electrical`: somebody works at supply, panel or wiring.
[[nodiscard]] std::vector<std::string> cautions_for(ProbeFacts const& probe, bool opens_probe,
                                                    bool electrical);

}  // namespace probekeeper::service

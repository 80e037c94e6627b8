// The catalogue of faults, and how each is laid into a probe's plan.
#pragma once

#include "plan.h"

namespace probekeeper::backtest {

// Gives the probe a fault that its site and water can show, its limit passed between `earliest_day` and
// `latest_day` of the run; to a slow one perhaps a second.
void give_fault(FleetPlan& fleet, ProbePlan& probe, double earliest_day, double latest_day,
                physics::Random& random);

// Coating that will pass its limit within two weeks after the run: a forecast may say so.
void give_coming_coating(FleetPlan& fleet, ProbePlan& probe, physics::Random& random);

// The response time, damping included, at 20 degC on a day of the run.
[[nodiscard]] double true_t90_20_s(ProbePlan const& probe, double day);

// The life that a day falls into.
[[nodiscard]] Life const& life_on(ProbePlan const& probe, double day);

[[nodiscard]] Timestamp at_day(FleetPlan const& fleet, double day);

}  // namespace probekeeper::backtest

// Healthy things that look like a worn probe: they befall tanks, sites and rows, never a probe.
#pragma once

#include "plan.h"

namespace probekeeper::backtest {

// One or two a tank, one or two a site, and untidy rows for some probes; named in each probe's truth.
void add_confusers(FleetPlan& fleet, physics::Random& random);

}  // namespace probekeeper::backtest

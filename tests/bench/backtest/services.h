// Services that go well and services that are botched, laid into a fleet in place of its faults: whether the
// proof after service tells the one from the other.
#pragma once

#include "plan.h"

namespace probekeeper::backtest {

// Every probe whose readings can test it gets a fault that a ticket tells, and days later a visit: a good one
// (half of them), or one with a wrinkled membrane, a dirty cathode, no calibration, or at another probe.
void give_services(FleetPlan& fleet, std::uint64_t seed);

}  // namespace probekeeper::backtest

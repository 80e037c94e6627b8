// What is told of people at work on a probe, as it shows in readings and records.
#pragma once

#include "base/time.h"
#include "diagnosis/verdict.h"

namespace probekeeper::diagnosis {

// From `at` on the probe is in this state. `known`, the reading time at which that showed, is not before it:
// a lift is believed some minutes after it began.
struct ServiceChange {
    Timestamp at{}, known{};
    ServiceState state = ServiceState::in_service;
    bool operator==(ServiceChange const&) const = default;
};

// While somebody works on the probe, and until its new membrane is calibrated: what it reads then is no
// measurement of the water.
[[nodiscard]] constexpr bool is_handled(ServiceState s) {
    return s == ServiceState::in_hand || s == ServiceState::settling ||
           s == ServiceState::awaiting_calibration;
}

}  // namespace probekeeper::diagnosis

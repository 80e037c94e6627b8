// What a person did to a probe, as far as diagnosis must know it. service::Record is the whole record; the
// pipeline makes these out of it, so that diagnosis stays below service.
#pragma once

#include <cstdint>
#include <optional>

#include "base/time.h"

namespace probekeeper::diagnosis {

enum class Act : std::uint8_t {
    membrane_change,
    membrane_wipe,
    electrode_clean,
    air_calibration,
    reference_check,
    probe_swap,
    moved,
    settings_change,
    inspection
};

struct Handling {
    Timestamp time{};
    Act act = Act::inspection;
    std::optional<double> dry_zero_mg_l;  // as left
    std::optional<double> air_percent;    // settled in air, as found
    std::optional<double> reference_mg_l, reference_percent, probe_mg_l;
};

}  // namespace probekeeper::diagnosis

// What a person did to a probe, as far as diagnosis must know it. service::Record is the whole record; the
// pipeline makes these out of it, so that diagnosis stays below service.
#pragma once

#include <cstdint>
#include <optional>
#include <string>

#include "base/time.h"
#include "diagnosis/setup.h"

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
    // Of a probe_swap: the serials of what left the position and of what came, and the place in
    // SiteSetup::probes that it came from. Empty where nobody named it, or it came from elsewhere.
    std::string left, came;
    std::optional<std::size_t> came_from;
    // Of another membrane: what past ones teach of it. Empty: nothing more than before.
    std::optional<CoatingPrior> coating;
};

// Parked: from <= time < until. `until` is Timestamp::max() where no end is known.
struct Absence {
    Timestamp from{}, until{};
    bool operator==(Absence const&) const = default;
};

}  // namespace probekeeper::diagnosis

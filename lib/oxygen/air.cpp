#include "oxygen/air.h"

#include "oxygen/convert.h"

namespace probekeeper::oxygen {

std::optional<double> air_po2_hpa(Air const& air) {
    bool const humidity_is_valid = air.relative_humidity >= 0.0 && air.relative_humidity <= 1.0;
    if (!humidity_is_valid || !is_within_range({air.temperature_c, 0.0, air.pressure_hpa})) {
        return std::nullopt;
    }
    auto const vapour = vapour_pressure_hpa(air.temperature_c);
    return vapour ? std::optional{oxygen_in_dry_air * (air.pressure_hpa - air.relative_humidity * *vapour)}
                  : std::nullopt;
}

std::optional<double> reading_in_air_percent(Air const& air, double assumed_pressure_hpa) {
    auto const here = air_po2_hpa(air);
    return here ? percent_of_po2(*here, {air.temperature_c, 0.0, assumed_pressure_hpa}) : std::nullopt;
}

std::optional<double> reading_in_air_percent(Air const& air) {
    return reading_in_air_percent(air, air.pressure_hpa);
}

}  // namespace probekeeper::oxygen

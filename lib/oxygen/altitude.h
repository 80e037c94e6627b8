// The barometer that a site without one gets: the mean pressure at its altitude. Weather moves the real one
// by up to 3 % either way. Source: ISO 2533:1975, Standard Atmosphere (in the troposphere that of ICAO and of
// the United States, 1976).
#pragma once

#include <optional>

namespace probekeeper::oxygen {

// Of a height above mean sea level as a map gives it. Empty outside -2000 to 11 000 m and for NaN.
[[nodiscard]] std::optional<double> pressure_at_altitude_hpa(double altitude_m);

// The same of a geopotential height, in which gravity does not weaken: 0.16 m less than a map's 1000 m.
[[nodiscard]] std::optional<double> pressure_at_geopotential_hpa(double height_m);
[[nodiscard]] double geopotential_height_m(double altitude_m);

}  // namespace probekeeper::oxygen

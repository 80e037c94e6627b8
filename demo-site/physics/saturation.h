// Oxygen that water holds in equilibrium with air. The simulation's own, so that a judge built on it shares
// no model with what it judges.
#pragma once

namespace probekeeper::physics {

// mg/L, by Benson and Krause 1984 as written in APHA 4500-O; 0..40 degC, salinity 0..40, 500..1100 hPa.
[[nodiscard]] double saturation_mg_l(double temperature_c, double salinity_psu, double pressure_hpa);

}  // namespace probekeeper::physics

#include "physics/saturation.h"

#include <cmath>

namespace probekeeper::physics {

double saturation_mg_l(double temperature_c, double salinity_psu, double pressure_hpa) {
    double const t = temperature_c;
    double const k = t + 273.15;
    double const fresh =
        -139.34411 + (1.575701e5 + (-6.642308e7 + (1.243800e10 - 8.621949e11 / k) / k) / k) / k;
    double const salt = -salinity_psu * (1.7674e-2 + (-1.0754e1 + 2.1407e3 / k) / k);
    double const p = pressure_hpa / 1013.25;
    double const vapour = std::exp(11.8571 + (-3840.70 - 216961.0 / k) / k);
    double const theta = 0.000975 - 1.426e-5 * t + 6.436e-8 * t * t;
    double const pressure = (p - vapour) * (1.0 - theta * p) / ((1.0 - vapour) * (1.0 - theta));
    return std::exp(fresh + salt) * pressure;
}

}  // namespace probekeeper::physics

#include "oxygen/altitude.h"

#include <cmath>

#include "oxygen/solubility.h"

namespace probekeeper::oxygen {
namespace {

constexpr double earth_radius_m = 6'356'766.0;
constexpr double sea_level_k = 288.15;
constexpr double lapse_k_m = 0.0065;
constexpr double gravity = 9.80665;         // m/s^2
constexpr double air_constant = 287.05287;  // J/(kg K)
constexpr double exponent = gravity / (air_constant * lapse_k_m);
constexpr double lowest_m = -2000.0;
constexpr double highest_m = 11'000.0;

}  // namespace

double geopotential_height_m(double altitude_m) {
    return earth_radius_m * altitude_m / (earth_radius_m + altitude_m);
}

std::optional<double> pressure_at_geopotential_hpa(double height_m) {
    if (!(height_m >= lowest_m && height_m <= highest_m)) {
        return std::nullopt;
    }
    return standard_pressure_hpa * std::pow(1.0 - lapse_k_m * height_m / sea_level_k, exponent);
}

std::optional<double> pressure_at_altitude_hpa(double altitude_m) {
    if (!(altitude_m >= lowest_m && altitude_m <= highest_m)) {
        return std::nullopt;
    }
    // -2000 m is a little deeper in geopotential; the law holds there as well.
    return standard_pressure_hpa *
           std::pow(1.0 - lapse_k_m * geopotential_height_m(altitude_m) / sea_level_k, exponent);
}

}  // namespace probekeeper::oxygen

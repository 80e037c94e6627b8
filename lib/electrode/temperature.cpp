#include "electrode/temperature.h"

#include <cmath>

namespace probekeeper::electrode {
namespace {

constexpr double gas_constant = 8.314462618;  // J/(mol K), CODATA 2018
constexpr double zero_celsius = 273.15;

}  // namespace

double arrhenius_factor(double temperature_c, double reference_c, double activation_energy) {
    double const t = temperature_c + zero_celsius;
    double const reference = reference_c + zero_celsius;
    return std::exp(-activation_energy / gas_constant * (1.0 / t - 1.0 / reference));
}

double arrhenius_per_kelvin(double temperature_c, double activation_energy) {
    double const t = temperature_c + zero_celsius;
    return activation_energy / (gas_constant * t * t);
}

double t90_at_20(double t90, double temperature_c, double activation_energy) {
    return t90 * arrhenius_factor(temperature_c, 20.0, activation_energy);
}

}  // namespace probekeeper::electrode

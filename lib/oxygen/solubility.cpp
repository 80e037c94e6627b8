#include "oxygen/solubility.h"

#include <cmath>

namespace probekeeper::oxygen {
namespace {

constexpr double zero_celsius = 273.15;

bool temperature_is_valid(double temperature_c) {
    return temperature_c >= 0.0 && temperature_c <= 40.0;
}

bool salinity_is_valid(double salinity_psu) {
    return salinity_psu >= 0.0 && salinity_psu <= 40.0;
}

bool pressure_is_valid(double pressure_hpa) {
    return pressure_hpa >= 0.5 * standard_pressure_hpa && pressure_hpa <= 1.1 * standard_pressure_hpa;
}

// ln of mg/L in fresh water at 1 atm; `r` is 1/T, 1/K.
double ln_fresh(double r) {
    return -139.34411 + r * (1.575701e5 + r * (-6.642308e7 + r * (1.243800e10 + r * -8.621949e11)));
}

// Of the logarithm, for one unit of salinity.
double ln_salting_out(double r) {
    return -(1.7674e-2 + r * (-1.0754e1 + r * 2.1407e3));
}

double vapour_atm(double r) {
    return std::exp(11.8571 + r * (-3840.70 + r * -216961.0));
}

double factor(double temperature_c, double r, double pressure_hpa) {
    double const p = pressure_hpa / standard_pressure_hpa;
    double const u = vapour_atm(r);
    double const theta = 0.000975 + temperature_c * (-1.426e-5 + temperature_c * 6.436e-8);
    return (p - u) * (1.0 - theta * p) / ((1.0 - u) * (1.0 - theta));
}

}  // namespace

bool is_within_range(Water const& water) {
    return temperature_is_valid(water.temperature_c) && salinity_is_valid(water.salinity_psu) &&
           pressure_is_valid(water.pressure_hpa);
}

std::optional<double> saturation_mg_l(Water const& water) {
    if (!is_within_range(water)) {
        return std::nullopt;
    }
    double const r = 1.0 / (water.temperature_c + zero_celsius);
    double const at_one_atm = std::exp(ln_fresh(r) + water.salinity_psu * ln_salting_out(r));
    return at_one_atm * factor(water.temperature_c, r, water.pressure_hpa);
}

std::optional<double> vapour_pressure_hpa(double temperature_c) {
    if (!temperature_is_valid(temperature_c)) {
        return std::nullopt;
    }
    return standard_pressure_hpa * vapour_atm(1.0 / (temperature_c + zero_celsius));
}

std::optional<double> pressure_factor(double temperature_c, double pressure_hpa) {
    if (!temperature_is_valid(temperature_c) || !pressure_is_valid(pressure_hpa)) {
        return std::nullopt;
    }
    return factor(temperature_c, 1.0 / (temperature_c + zero_celsius), pressure_hpa);
}

}  // namespace probekeeper::oxygen

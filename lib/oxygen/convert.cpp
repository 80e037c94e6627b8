#include "oxygen/convert.h"

namespace probekeeper::oxygen {
namespace {

// hPa at 100 %: oxygen in water-saturated air. Salinity must be valid although it does not count, so that a
// sample is either convertible in every direction or in none.
std::optional<double> saturated_po2(Water const& water) {
    auto const vapour = is_within_range(water) ? vapour_pressure_hpa(water.temperature_c) : std::nullopt;
    return vapour ? std::optional{oxygen_in_dry_air * (water.pressure_hpa - *vapour)} : std::nullopt;
}

}  // namespace

std::optional<double> percent_of_mg_l(double mg_l, Water const& water) {
    auto const full = saturation_mg_l(water);
    return full ? std::optional{100.0 * mg_l / *full} : std::nullopt;
}

std::optional<double> mg_l_of_percent(double percent, Water const& water) {
    auto const full = saturation_mg_l(water);
    return full ? std::optional{0.01 * percent * *full} : std::nullopt;
}

std::optional<double> po2_of_percent(double percent, Water const& water) {
    auto const full = saturated_po2(water);
    return full ? std::optional{0.01 * percent * *full} : std::nullopt;
}

std::optional<double> percent_of_po2(double po2_hpa, Water const& water) {
    auto const full = saturated_po2(water);
    return full ? std::optional{100.0 * po2_hpa / *full} : std::nullopt;
}

std::optional<double> po2_of_mg_l(double mg_l, Water const& water) {
    auto const percent = percent_of_mg_l(mg_l, water);
    return percent ? po2_of_percent(*percent, water) : std::nullopt;
}

std::optional<double> mg_l_of_po2(double po2_hpa, Water const& water) {
    auto const percent = percent_of_po2(po2_hpa, water);
    return percent ? mg_l_of_percent(*percent, water) : std::nullopt;
}

}  // namespace probekeeper::oxygen

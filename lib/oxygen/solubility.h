// How much oxygen water holds in equilibrium with air, and the pressure of water vapour in that air.
//
// Benson and Krause (1984), Limnol. Oceanogr. 29(3):620-632, in the mg/L form of USGS Office of Water Quality
// Technical Memorandum 2011.03 and Standard Methods 4500-O. Valid for 0 to 40 degC, salinity 0 to 40 and 0.5
// to 1.1 atm; outside, and for anything not a number, the answer is empty: the formulas would go on giving
// numbers.
#pragma once

#include <optional>

namespace probekeeper::oxygen {

inline constexpr double standard_pressure_hpa = 1013.25;

// What equilibrium depends on. Pressure is the barometer's at the site, water vapour included; not the
// weather service's, which is reduced to sea level.
struct Water {
    double temperature_c;
    double salinity_psu = 0.0;
    double pressure_hpa = standard_pressure_hpa;
};

// Whether the answers below are known for this water.
[[nodiscard]] bool is_within_range(Water const& water);

// In water-saturated air at that pressure. Costs two exponentials, some 70 ns.
[[nodiscard]] std::optional<double> saturation_mg_l(Water const& water);

// Of pure water, as the pressure factor uses it (Standard Methods form); 0 to 40 degC.
[[nodiscard]] std::optional<double> vapour_pressure_hpa(double temperature_c);

// Saturation at a pressure over saturation at 1 atm: less than in proportion below 1 atm, because water
// vapour does not thin out with the air. Exactly 1 at 1 atm.
[[nodiscard]] std::optional<double> pressure_factor(double temperature_c, double pressure_hpa);

}  // namespace probekeeper::oxygen

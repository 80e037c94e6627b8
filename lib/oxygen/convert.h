// The three ways of saying how much oxygen there is: mg/L, per cent of saturation, partial pressure. Per cent
// is always of saturation at the water's own temperature, salinity and pressure. Empty where solubility.h is.
#pragma once

#include <optional>

#include "oxygen/solubility.h"

namespace probekeeper::oxygen {

// Mole fraction in dry air. In wide meteorological use; 0.20942 (Glueckauf 1951, behind Benson and Krause)
// and 0.209476 (US Standard Atmosphere 1976) also circulate (all from memory). They differ by 0.03 %, far
// less than a probe can tell, so one is fixed here and everything uses it.
inline constexpr double oxygen_in_dry_air = 0.20946;

[[nodiscard]] std::optional<double> percent_of_mg_l(double mg_l, Water const& water);
[[nodiscard]] std::optional<double> mg_l_of_percent(double percent, Water const& water);

// Partial pressure, hPa, is what a membrane probe senses. It does not depend on salinity.
[[nodiscard]] std::optional<double> po2_of_percent(double percent, Water const& water);
[[nodiscard]] std::optional<double> percent_of_po2(double po2_hpa, Water const& water);
[[nodiscard]] std::optional<double> po2_of_mg_l(double mg_l, Water const& water);
[[nodiscard]] std::optional<double> mg_l_of_po2(double po2_hpa, Water const& water);

}  // namespace probekeeper::oxygen

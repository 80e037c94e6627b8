// What a probe reads in air. 100 % is the oxygen of water-saturated air at the pressure of the moment, so a
// probe that is right reads more than 100 % in dry air, and a probe set to 100 % in dry air reads low in
// water.
#pragma once

#include <optional>

#include "oxygen/solubility.h"

namespace probekeeper::oxygen {

struct Air {
    double temperature_c;
    double relative_humidity = 1.0;  // 0 dry, 1 saturated
    double pressure_hpa = standard_pressure_hpa;
};

// Partial pressure of oxygen. Empty outside the ranges of solubility.h, and of 0 to 1 for the humidity.
[[nodiscard]] std::optional<double> air_po2_hpa(Air const& air);

// The per cent that a probe shows in this air if it is right. `assumed_pressure_hpa` is the pressure that the
// transmitter reckons with: the true one where it measures or is told, else that of its last
// calibration. 97.7 over 100 is what water reads after a calibration in dry air at 20 degC: 100 over this
// function's 102.36.
[[nodiscard]] std::optional<double> reading_in_air_percent(Air const& air, double assumed_pressure_hpa);

// Where the transmitter knows the true pressure.
[[nodiscard]] std::optional<double> reading_in_air_percent(Air const& air);

}  // namespace probekeeper::oxygen

// How temperature speeds a membrane electrode up. Oxygen crosses the membrane by an activated process, so
// that response times go as 1/D with D(T) = D(ref) exp(-(Ea/R)(1/T - 1/T_ref)). Source of the law: Hitchman
// (1978), Measurement of Dissolved Oxygen (from memory).
#pragma once

namespace probekeeper::electrode {

// Of diffusion in the membrane, J/mol: about 3.5 % per kelvin at 20 degC. Typical of fluoropolymer and
// polyethylene films, whose permeability is given as 3 to 4 % per kelvin near 25 degC (Hitchman 1978; Linek
// et al. 1988, Measurement of Oxygen by Membrane-Covered Probes; both from memory).
inline constexpr double typical_activation_energy = 25'000.0;

// D(temperature) / D(reference), likewise of permeability; 1 where they are equal.
[[nodiscard]] double arrhenius_factor(double temperature_c, double reference_c, double activation_energy);

// Its local coefficient, Ea/(R T^2), as a part per kelvin: 0.035 for the typical energy at 20 degC.
[[nodiscard]] double arrhenius_per_kelvin(double temperature_c, double activation_energy);

// What a response time (T90, a time constant: any time of the curve) measured at `temperature_c` would be at
// 20 degC, in the unit that it is given in. Warm water makes a probe quick, so the result is longer for water
// above 20 degC. NaN for a temperature that was not read.
[[nodiscard]] double t90_at_20(double t90, double temperature_c,
                               double activation_energy = typical_activation_energy);

}  // namespace probekeeper::electrode

// The response of an electrode behind one membrane to a step of oxygen outside it: diffusion across a layer
// of thickness b and diffusivity D, whose inner face the cathode keeps at zero. Sources: Crank, The
// Mathematics of Diffusion; Mancy, Okun and Reilley (1962), J. Electroanal. Chem. 4:65-92.
//
// Time is x = D t / b^2 throughout; a step down is 1 minus the same curve.
#pragma once

#include <numbers>

namespace probekeeper::electrode {

// When the reading has gone that part of the way.
inline constexpr double membrane_x10 = 0.066109822747551845;
inline constexpr double membrane_x50 = 0.13878529704272032;
inline constexpr double membrane_x63 = 0.17090705860459896;  // 1 - 1/e
inline constexpr double membrane_x90 = 0.3035184691434174;
inline constexpr double membrane_x95 = 0.37376004937466066;

// Past T63 or so the curve is 1 - 2 exp(-x / tail): what a fit of an exponential to the tail of a step finds.
inline constexpr double membrane_tail = 1.0 / (std::numbers::pi * std::numbers::pi);
// Area above the curve: how late the reading is behind a slow ramp.
inline constexpr double membrane_mean = 1.0 / 6.0;
inline constexpr double membrane_t90_over_tail =
    membrane_x90 / membrane_tail;  // 2.9956; first order has 2.3026
inline constexpr double membrane_t90_over_mean = membrane_x90 / membrane_mean;  // 1.8211

// Part of the step that is shown, 0 to 1, to 1e-12; 0 for x <= 0.
[[nodiscard]] double membrane_response(double x);
// Its derivative by x, for fits.
[[nodiscard]] double membrane_response_slope(double x);

// The x at which `level` is shown. 0 at level 0 and below, infinity at 1 and above.
[[nodiscard]] double membrane_time(double level);

// T90 in seconds of a membrane `thickness_m` thick, `diffusivity` in m^2/s; both > 0.
[[nodiscard]] constexpr double membrane_t90_s(double thickness_m, double diffusivity) {
    return membrane_x90 * thickness_m * thickness_m / diffusivity;
}

}  // namespace probekeeper::electrode

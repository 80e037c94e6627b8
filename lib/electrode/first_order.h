// A probe whose reading follows the water as tau dy/dt = c - y. Times in the unit of tau; tau > 0.
#pragma once

#include <cmath>
#include <numbers>

namespace probekeeper::electrode {

inline constexpr double first_order_t90_over_tau = std::numbers::ln10;

// Part of a step that is shown `t` after it; 0 before it.
[[nodiscard]] inline double first_order_response(double t, double tau) {
    return t > 0.0 ? -std::expm1(-t / tau) : 0.0;
}

// When `level` of the step is shown, 0 <= level < 1. Behind a ramp the reading is late by tau.
[[nodiscard]] inline double first_order_time(double level, double tau) {
    return -tau * std::log1p(-level);
}

// Behind a sine of `period`: the part of its amplitude that is left, and how late it comes.
struct SineResponse {
    double gain, lag;
};
[[nodiscard]] inline SineResponse first_order_sine(double period, double tau) {
    double const omega = 2.0 * std::numbers::pi / period;
    return {1.0 / std::hypot(1.0, omega * tau), std::atan(omega * tau) / omega};
}

}  // namespace probekeeper::electrode

// What the fits of response.h share. For this room's own .cpp files.
#pragma once

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <span>
#include <string_view>

#include "diagnosis/response.h"
#include "estimate/robust.h"

namespace probekeeper::diagnosis {

inline constexpr std::size_t most_points = 480;

// Residuals of readings in moving water hang together, so that a fit takes itself for better than it is.
// Value from memory of trying it on simulated and recorded blasts; the batches of trend.h correct the rest.
inline constexpr double optimism = 1.4;
// Of the step: what the water itself moves during a test, at the least.
inline constexpr double water_moves = 0.005;

struct Points {
    std::array<double, most_points> t{}, y{}, weight{};
    std::size_t count = 0;
    void add(double t_s, double value, double w = 1.0) {
        if (count < most_points) {
            t[count] = t_s;
            y[count] = value;
            weight[count] = w;
            ++count;
        }
    }
};

inline double median_where(std::span<FitPoint const> points, double from_s, double to_s) {
    std::array<double, most_points> kept{};
    std::size_t n = 0;
    for (auto const& p : points) {
        if (p.t_s >= from_s && p.t_s <= to_s && n < kept.size()) {
            kept[n++] = p.value;
        }
    }
    return n == 0 ? std::numeric_limits<double>::quiet_NaN()
                  : estimate::median_inplace(std::span{kept.data(), n});
}

inline ResponseFit refused(std::string_view why) {
    ResponseFit fit;
    fit.set_aside = why;
    return fit;
}

// The standard error as it would be if the model left what readings in moving water always leave.
inline double honest(double standard_error, double left, double noise, double step) {
    double const least = std::max(noise, water_moves * std::abs(step));
    return optimism * standard_error * std::max(1.0, least / std::max(left, 1e-9));
}

}  // namespace probekeeper::diagnosis

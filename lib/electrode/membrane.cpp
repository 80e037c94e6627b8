#include "electrode/membrane.h"

#include <cmath>
#include <limits>

namespace probekeeper::electrode {
namespace {

constexpr double pi = std::numbers::pi;

// Two series for one function. Where they meet, the first term left out of either is below 1e-16.
constexpr double long_series_from = 0.16;
constexpr int long_terms = 4;
constexpr int short_terms = 3;

struct Curve {
    double value, slope;
};

Curve long_series(double x) {
    Curve c{1.0, 0.0};
    double sign = -1.0;
    for (int n = 1; n <= long_terms; ++n) {
        double const rate = n * n * pi * pi;
        double const term = 2.0 * sign * std::exp(-rate * x);
        c.value += term;
        c.slope -= rate * term;
        sign = -sign;
    }
    return c;
}

Curve short_series(double x) {
    Curve c{0.0, 0.0};
    double const front = 2.0 / std::sqrt(pi * x);
    for (int n = 0; n < short_terms; ++n) {
        double const quarter = 0.25 * (2 * n + 1) * (2 * n + 1);
        double const term = front * std::exp(-quarter / x);
        c.value += term;
        c.slope += term * (quarter / x - 0.5) / x;
    }
    return c;
}

// Below this the curve is under 1e-300, and 1/x^2 would overflow before it could be multiplied by zero.
constexpr double nothing_before = 3e-4;

Curve curve(double x) {
    if (!(x > nothing_before)) {
        return {std::isnan(x) ? x : 0.0, std::isnan(x) ? x : 0.0};
    }
    return x < long_series_from ? short_series(x) : long_series(x);
}

}  // namespace

double membrane_response(double x) {
    return curve(x).value;
}

double membrane_response_slope(double x) {
    return curve(x).slope;
}

double membrane_time(double level) {
    if (level <= 0.0 || level >= 1.0) {
        return level <= 0.0 ? 0.0 : std::numeric_limits<double>::infinity();
    }
    // Newton's method, kept between two bounds that close in. In the lower half on the logarithm: there the
    // curve rises out of nothing faster than any straight line can follow.
    double low = nothing_before;
    double high = 4.0;
    double x = level < 0.5 ? membrane_x10 : std::log(2.0 / (1.0 - level)) * membrane_tail;
    for (int i = 0; i < 100; ++i) {
        auto const here = curve(x);
        (here.value < level ? low : high) = x;
        double const step = level < 0.5 ? std::log(here.value / level) * here.value / here.slope
                                        : (here.value - level) / here.slope;
        if (std::abs(step) < 1e-15 * x) {
            break;
        }
        double const next = x - step;
        x = next > low && next < high ? next : 0.5 * (low + high);
    }
    return x;
}

}  // namespace probekeeper::electrode

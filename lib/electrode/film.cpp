#include "electrode/film.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>

namespace probekeeper::electrode {
namespace {

// The eigenvalues are the zeros of g(l) = u sin(l e) cos(l m) + v cos(l e) sin(l m).
struct Characteristic {
    double e, m;  // thickness / sqrt(diffusivity) of film and membrane
    double u, v;  // 1 / (solubility sqrt(diffusivity)) of film and membrane

    [[nodiscard]] double value(double l) const {
        return u * std::sin(l * e) * std::cos(l * m) + v * std::cos(l * e) * std::sin(l * m);
    }
    [[nodiscard]] double slope(double l) const {
        return (u * e + v * m) * std::cos(l * e) * std::cos(l * m) -
               (v * e + u * m) * std::sin(l * e) * std::sin(l * m);
    }
    // g = (u+v)/2 sin(l(e+m)) + (u-v)/2 sin(l(e-m)). The first amplitude is the greater, so where the first
    // sine is +1 or -1 it gives the sign: exactly one zero lies between (k - 1/2) pi and (k + 1/2) pi over e
    // + m.
    [[nodiscard]] double zero(std::size_t k) const {
        double const quarter = 0.5 * std::numbers::pi / (e + m);
        double low = static_cast<double>(2 * k - 1) * quarter;
        double high = static_cast<double>(2 * k + 1) * quarter;
        double const sign = k % 2 == 1 ? 1.0 : -1.0;  // of g at the lower end
        for (int i = 0; i < 60; ++i) {
            double const middle = 0.5 * (low + high);
            (sign * value(middle) > 0.0 ? low : high) = middle;
        }
        return 0.5 * (low + high);
    }
};

double square(double x) {
    return x * x;
}

double mean_time_of(Layer const& film, Layer const& membrane) {
    double const inner = square(film.thickness) / film.diffusivity;
    double const outer = square(membrane.thickness) / membrane.diffusivity;
    double const sum =
        film.resistance() * (inner / 6.0 + outer / 2.0) + membrane.resistance() * (inner / 2.0 + outer / 6.0);
    return sum / (film.resistance() + membrane.resistance());
}

}  // namespace

FilmResponse::FilmResponse(Layer const& film, Layer const& membrane)
    : mean_time_{mean_time_of(film, membrane)},
      steady_{membrane.resistance() / (membrane.resistance() + film.resistance())} {
    double const root_e = std::sqrt(film.diffusivity);
    double const root_m = std::sqrt(membrane.diffusivity);
    Characteristic const g{film.thickness / root_e, membrane.thickness / root_m,
                           1.0 / (film.solubility * root_e), 1.0 / (membrane.solubility * root_m)};
    double const resistance = film.resistance() + membrane.resistance();
    for (std::size_t k = 0; k < terms; ++k) {
        double const l = g.zero(k + 1);
        rate_[k] = square(l);
        coefficient_[k] = 2.0 * resistance / g.slope(l);
    }
}

double FilmResponse::at(double t) const {
    // Before this the terms left out would count, but there is nothing to see yet.
    constexpr double gone = 40.0;
    if (!(t * rate_[terms - 1] >= gone)) {
        return std::isnan(t) ? t : 0.0;
    }
    double sum = 1.0;
    for (std::size_t k = 0; k < terms && rate_[k] * t < gone; ++k) {
        sum += coefficient_[k] * std::exp(-rate_[k] * t);
    }
    return std::clamp(sum, 0.0, 1.0);
}

double FilmResponse::time(double level) const {
    if (level <= 0.0 || level >= 1.0) {
        return level <= 0.0 ? 0.0 : std::numeric_limits<double>::infinity();
    }
    double low = 0.0;
    double high = 40.0 / rate_[0];
    for (int i = 0; i < 60; ++i) {
        double const middle = 0.5 * (low + high);
        (at(middle) < level ? low : high) = middle;
    }
    return 0.5 * (low + high);
}

}  // namespace probekeeper::electrode

// The water after a step of its aeration: dC/dt = kLa (C* - C) - OUR, and a probe that lags it.
#include <algorithm>
#include <cmath>

#include "diagnosis/response_parts.h"
#include "estimate/fit.h"

namespace probekeeper::diagnosis {
namespace {

// Of the way that the oxygen goes, this part is looked at: nearer to its goal a site's controller takes the
// air back. A guess.
constexpr double part_used = 0.7;
constexpr double least_change_part = 0.05;  // of saturation
constexpr double least_steps = 12.0;        // a change of so many standard deviations of a reading
// Water that holds hardly any oxygen uses less of it (Monod), and so rises more quickly at first than the
// balance says. The concentration at which it uses half: activated sludge has 0.1 to 0.5 mg/L (common
// practice, no source). The fit takes up most of it as kLa; this part stands open, by trying it on waters
// worked out step by step.
constexpr double half_saturation_mg_l = 0.25;
constexpr double bump_part = 0.25;
// How far kLa, from the first steepness and from what is missing to saturation, may be off. A guess.
constexpr double ln_kla_error = 0.7;

// (1 - exp(-z)) / z and its derivative, for every z.
struct Phi {
    double value, slope;
};
Phi phi(double z) {
    if (std::abs(z) < 1e-3) {
        return {1.0 - z / 2.0 + z * z / 6.0, -0.5 + z / 3.0 - z * z / 8.0};
    }
    double const e = std::exp(-z);
    return {-std::expm1(-z) / z, (e * (z + 1.0) - 1.0) / (z * z)};
}

// What is left of the way `u` seconds after the step, behind water of rate `a` and a probe of rate `b`; even
// where the two are alike.
struct Left {
    double value, by_a, by_b;
};
Left left_after(double u, double a, double b) {
    double const e = std::exp(-a * u);
    auto const [value, slope] = phi((b - a) * u);
    return {e * (1.0 + a * u * value), e * (-u + u * value - a * u * u * (value + slope)),
            e * a * u * u * slope};
}

// By how much the water comes early because it used less oxygen while it held less than later.
double early_by_s(double rate, double kla, double missing, double from, double to) {
    double const given = kla * missing;
    double const used = std::clamp(given - rate, 0.0, 0.85 * given);
    double const net = given - used;
    double const low = std::max(from, 0.0), high = std::max(to, low);
    double const ln =
        std::log((given * half_saturation_mg_l + net * high) / (given * half_saturation_mg_l + net * low));
    return used * half_saturation_mg_l / (net * net) * ln;
}

struct Window {
    Points used;
    double level = 0.0, change = 0.0;
    std::size_t after = 0;
};

// The readings before the step, and those of the first part of the way after it.
Window window_of(std::span<FitPoint const> points, double level) {
    Window w;
    w.level = level;
    for (auto const& p : points) {
        if (p.t_s > 0.0 && std::abs(p.value - level) > std::abs(w.change)) {
            w.change = p.value - level;
        }
    }
    for (auto const& p : points) {
        if (p.t_s > 0.0 && (p.value - level) / w.change > part_used) {
            break;
        }
        w.used.add(p.t_s, p.value);
        w.after += p.t_s > 0.0 ? 1U : 0U;
    }
    return w;
}

}  // namespace

ResponseFit fit_rise(std::span<FitPoint const> points, double delay_s, double delay_error_s, double noise,
                     double saturation) {
    double const level = median_where(points, -120.0, 0.0);
    if (std::isnan(level)) {
        return refused("too few readings within the response");
    }
    auto w = window_of(points, level);
    if (std::abs(w.change) < std::max(least_change_part * saturation, least_steps * noise)) {
        return refused("the water did not rise enough");
    }
    if (w.after < 7 || w.used.count - w.after < 3) {
        return refused("too few readings within the response");
    }
    double const end_s = w.used.t[w.used.count - 1];
    double const reached = w.used.y[w.used.count - 1];
    double const rate_guess = (reached - level) / std::max(1.0, 0.85 * end_s);
    double const missing = w.change > 0.0 ? std::max(saturation - level, 0.2 * saturation) : level + 1.0;
    double const kla_guess = 1.3 * std::abs(rate_guess) / missing;
    double const weight_noise = std::max(noise, 0.01 * std::abs(w.change));
    // Two things known beforehand join as readings of weight (noise / error)^2, at times that mark them.
    constexpr double delay_mark = -1e6, kla_mark = -2e6;
    w.used.add(delay_mark, delay_s, std::pow(weight_noise / delay_error_s, 2));
    w.used.add(kla_mark, std::log(kla_guess), std::pow(weight_noise / ln_kla_error, 2));
    // y = c + s t + r (1 - left(u)) / a,  u = max(0, t - d),  a = exp(p3) the water's rate, 1/b = exp(p4) the
    // probe's lag.
    auto const model = [](std::array<double, 6> const& p) {
        return [&p, a = std::exp(p[3]), b = std::exp(-p[4])](double t, std::array<double, 6>& g) {
            g = {};
            if (t == delay_mark) {
                g[5] = 1.0;
                return p[5];
            }
            if (t == kla_mark) {
                g[3] = 1.0;
                return p[3];
            }
            g[0] = 1.0;
            g[1] = t;
            double const u = t - p[5];
            if (u <= 0.0) {
                return p[0] + p[1] * t;
            }
            auto const left = left_after(u, a, b);
            double const way = (1.0 - left.value) / a;
            g[2] = way;
            g[3] = -p[2] * (left.by_a + way);
            g[4] = p[2] * b / a * left.by_b;
            g[5] = -p[2] * b / a * (left.value - std::exp(-a * u));
            return p[0] + p[1] * t + p[2] * way;
        };
    };
    estimate::FitOptions<6> options;
    options.tolerance = 1e-4;
    options.lower = {-1e3, -1.0, -10.0, std::log(1e-6), std::log(0.5), -60.0};
    options.upper = {1e3, 1.0, 10.0, std::log(0.5), std::log(1200.0), 240.0};
    options.weights = std::span<double const>{w.used.weight.data(), w.used.count};
    double const tau_guess = std::clamp(0.1 * end_s, 3.0, 60.0);
    auto const fitted = estimate::least_squares<6>(
        model, std::span<double const>{w.used.t.data(), w.used.count},
        std::span<double const>{w.used.y.data(), w.used.count},
        {level, 0.0, rate_guess, std::log(kla_guess), std::log(tau_guess), delay_s}, options);
    ResponseFit fit;
    fit.tau_s = std::exp(fitted.parameters[4]);
    fit.kla_per_h = 3600.0 * std::exp(fitted.parameters[3]);
    fit.kla_ln_error = honest(fitted.standard_errors[3], fitted.sigma, noise, w.change);
    fit.onset_s = fitted.parameters[5];
    fit.step = w.change;
    fit.residual = fitted.sigma;
    fit.ln_error = honest(fitted.standard_errors[4], fitted.sigma, noise, w.change);
    double const thirst = bump_part * half_saturation_mg_l / (half_saturation_mg_l + std::max(level, 0.0));
    double const bump_s = w.change > 0.0 ? thirst * early_by_s(fitted.parameters[2], fit.kla_per_h / 3600.0,
                                                               missing, level, reached)
                                         : 0.0;
    fit.late_s = fit.tau_s + fit.onset_s + bump_s;
    auto const& cov = fitted.covariance;
    double const late_variance = fit.tau_s * fit.tau_s * cov[4][4] + cov[5][5] + 2.0 * fit.tau_s * cov[4][5];
    fit.late_error_s = std::hypot(honest(std::sqrt(late_variance), fitted.sigma, noise, w.change), bump_s);
    if (!fitted.converged) {
        fit.set_aside = "the fit did not converge";
    } else if (fit.residual > 0.05 * std::abs(w.change)) {
        fit.set_aside = "the water did not rise evenly";
    } else if (end_s < 1.5 * fit.tau_s) {
        fit.set_aside = "cut short before the reading had settled";
    } else if (!(fit.late_error_s < 0.5 * std::max(fit.late_s, fit.tau_s))) {
        fit.set_aside = "too uncertain";
    }
    return fit;
}

}  // namespace probekeeper::diagnosis

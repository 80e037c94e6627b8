// The water after its aeration stopped, dC/dt = -R C / (K + C), and a probe that lags it.
#include <algorithm>
#include <cmath>

#include "diagnosis/response_parts.h"
#include "estimate/fit.h"

namespace probekeeper::diagnosis {
namespace {

// The concentration at which the water uses half of what it uses of plenty, as a part of saturation, and how
// far off that may be (ln): activated sludge has 0.1 to 0.5 mg/L of some 9 (common practice, no source).
constexpr double half_part = 0.027, half_ln_error = 1.0;
constexpr double least_level_part = 0.09;  // of saturation
constexpr double longest_step_s = 5.0;
constexpr double steps_to_empty = 50.0;
// Three things known beforehand join as readings of weight (noise / error)^2, at times that mark them.
constexpr double delay_mark = -1e6, half_mark = -2e6, zero_mark = -3e6;

enum Parameter : std::size_t { before, drift, uptake, ln_half, ln_tau, delay, at_zero, parameters };
using Gradient = std::array<double, parameters>;

// What the probe shows of the water's fall, worked out from reading to reading; the readings must come in
// the order of their times. Of the water, C + K ln C = C0 + K ln C0 - R u is exact; the probe's lag takes it
// as straight between steps.
class Fall {
public:
    Fall(Gradient const& p, double step_s)
        // The reading is behind a water that drifts, which is already so much further.
        : level_{std::max(p[before] + p[drift] * (p[delay] + std::exp(p[ln_tau])) - p[at_zero], 1e-3)},
          ln_level_{std::log(level_)},
          uptake_{p[uptake]},
          half_{std::exp(p[ln_half])},
          tau_{std::exp(p[ln_tau])},
          step_s_{step_s},
          ln_c_{ln_level_} {}

    // `u`: seconds since the water began to fall.
    void go_to(double u) {
        int const steps = std::max(1, static_cast<int>(std::ceil((u - u_) / step_s_ - 0.01)));
        double const h = (u - u_) / steps;
        weigh(h);
        for (int i = 0; i < steps; ++i) {
            step(h);
        }
        u_ = u;
    }

    [[nodiscard]] double tau_s() const { return tau_; }
    // Of the fall: by the level before, the uptake, ln K and ln tau, and by the delay.
    [[nodiscard]] double value() const { return shown_[0]; }
    [[nodiscard]] double by_level() const { return shown_[1]; }
    [[nodiscard]] double by_uptake() const { return shown_[2]; }
    [[nodiscard]] double by_ln_half() const { return shown_[3]; }
    [[nodiscard]] double by_ln_tau() const { return by_ln_tau_; }
    [[nodiscard]] double by_delay() const { return (shown_[0] - water_[0]) / tau_; }

private:
    using Water = std::array<double, 4>;

    struct Weight {
        double value = 0.0, by_ln_tau = 0.0;
    };

    // A first-order lag behind what is straight over h: what is left of what was shown, and the weights of
    // the water at the begin and the end.
    void weigh(double h) {
        if (h == weighed_h_) {
            return;
        }
        weighed_h_ = h;
        double const part = h / tau_;
        decay_ = {std::exp(-part), part * std::exp(-part)};
        double const mean = part > 1e-9 ? (1.0 - decay_.value) / part : 1.0;
        of_end_ = {1.0 - mean, decay_.value - mean};
        of_begin_ = {mean - decay_.value, mean - decay_.value - decay_.by_ln_tau};
    }

    [[nodiscard]] double concentration(double u) {
        double const sum = level_ + half_ * ln_level_ - uptake_ * u;
        double c = std::exp(ln_c_);
        // From a larger concentration Newton comes down to this one and never past it.
        for (int i = 0; i < 20; ++i) {
            double const change = (c + half_ * ln_c_ - sum) / (c + half_);
            ln_c_ -= change;
            c = std::exp(ln_c_);
            if (std::abs(change) < 1e-6) {
                break;
            }
        }
        return c;
    }

    void step(double h) {
        reached_ += h;
        double const c = concentration(reached_);
        double const answer = c / (c + half_);
        Water const next{c - level_, answer * (1.0 + half_ / level_) - 1.0, -answer * reached_,
                         answer * half_ * (ln_level_ - ln_c_)};
        by_ln_tau_ = decay_.value * by_ln_tau_ + decay_.by_ln_tau * shown_[0] +
                     of_begin_.by_ln_tau * water_[0] + of_end_.by_ln_tau * next[0];
        for (std::size_t i = 0; i < next.size(); ++i) {
            shown_[i] = decay_.value * shown_[i] + of_begin_.value * water_[i] + of_end_.value * next[i];
        }
        water_ = next;
    }

    double level_, ln_level_, uptake_, half_, tau_, step_s_;
    double u_ = 0.0, reached_ = 0.0, ln_c_;
    double weighed_h_ = -1.0;
    Weight decay_, of_begin_, of_end_;
    Water water_{}, shown_{};
    double by_ln_tau_ = 0.0;
};

auto curve_of(double step_s) {
    return [step_s](Gradient const& p) {
        return [&p, fall = Fall{p, step_s}](double t, Gradient& g) mutable {
            g = {};
            if (t <= delay_mark) {
                auto const known = t == delay_mark ? delay : t == half_mark ? ln_half : at_zero;
                g[known] = 1.0;
                return p[known];
            }
            g[before] = 1.0;
            g[drift] = t;
            double const u = t - p[delay];
            if (u <= 0.0) {
                return p[before] + p[drift] * t;
            }
            fall.go_to(u);
            // What drifted the water has ended with the air; the reading goes on until it has caught up.
            double const tau = fall.tau_s(), left = std::exp(-u / tau);
            double const caught_up = tau * (1.0 - left);
            g[before] += fall.by_level();
            g[drift] = p[delay] + caught_up + fall.by_level() * (p[delay] + tau);
            g[uptake] = fall.by_uptake();
            g[ln_half] = fall.by_ln_half();
            g[ln_tau] = fall.by_ln_tau() + p[drift] * (caught_up - u * left + fall.by_level() * tau);
            g[delay] = fall.by_delay() + p[drift] * (1.0 - left + fall.by_level());
            g[at_zero] = -fall.by_level();
            return p[before] + p[drift] * (p[delay] + caught_up) + fall.value();
        };
    };
}

struct Window {
    Points used;
    double level = 0.0;
    std::size_t after = 0;
    [[nodiscard]] double end_s() const { return used.t[used.count - 1]; }
    [[nodiscard]] double fallen() const { return level - used.y[used.count - 1]; }
};

Window window_of(std::span<FitPoint const> points, double level) {
    Window w;
    w.level = level;
    for (auto const& p : points) {
        if (p.t_s > 0.0 && p.value < decline_down_to * level) {
            break;
        }
        w.used.add(p.t_s, p.value);
        w.after += p.t_s > 0.0 ? 1U : 0U;
    }
    return w;
}

std::string_view doubt_of(ResponseFit const& fit, bool converged, double level, double end_s) {
    if (!converged) {
        return "the fit did not converge";
    }
    if (fit.residual > 0.05 * level) {
        return "the water did not fall evenly";
    }
    if (end_s < 1.5 * fit.tau_s) {
        return "cut short before the reading had settled";
    }
    return fit.late_error_s < 0.5 * fit.late_s ? "" : "too uncertain";
}

}  // namespace

ResponseFit fit_decline(std::span<FitPoint const> points, double delay_s, double delay_error_s, double noise,
                        double saturation, ZeroReading const& zero) {
    double const level = median_where(points, -120.0, 0.0);
    if (std::isnan(level) || level < least_level_part * saturation) {
        return refused("no oxygen to fall from");
    }
    auto w = window_of(points, level);
    if (w.after < 7 || w.used.count - w.after < 3) {
        return refused("too few readings within the response");
    }
    double const end_s = w.end_s(), fallen = w.fallen();
    if (fallen < 0.3 * level) {
        return refused("the water did not fall enough");
    }
    double const half = half_part * saturation;
    double const rate_guess = fallen / std::max(1.0, 0.8 * end_s);
    double const weight_noise = std::max(noise, 0.01 * level);
    w.used.add(delay_mark, delay_s, std::pow(weight_noise / delay_error_s, 2));
    w.used.add(half_mark, std::log(half), std::pow(weight_noise / half_ln_error, 2));
    w.used.add(zero_mark, zero.value, std::pow(weight_noise / zero.error, 2));
    estimate::FitOptions<parameters> options;
    options.lower = {-1e3, -1.0, 1e-6, std::log(0.05 * half), std::log(0.5), -60.0, -level};
    options.upper = {1e3, 1.0, 10.0, std::log(20.0 * half), std::log(1200.0), 240.0, 0.5 * level};
    options.weights = std::span<double const>{w.used.weight.data(), w.used.count};
    options.tolerance = 3e-3;
    double const step_s = std::max(longest_step_s, level / rate_guess / steps_to_empty);
    auto const fitted = estimate::least_squares<parameters>(
        curve_of(step_s), std::span<double const>{w.used.t.data(), w.used.count},
        std::span<double const>{w.used.y.data(), w.used.count},
        {level, 0.0, rate_guess * (1.0 + half / level), std::log(half), std::log(std::max(5.0, 0.2 * end_s)),
         delay_s, zero.value},
        options);
    ResponseFit fit;
    fit.tau_s = std::exp(fitted.parameters[ln_tau]);
    fit.onset_s = fitted.parameters[delay];
    fit.late_s = fit.tau_s + fit.onset_s;
    auto const& cov = fitted.covariance;
    double const late_variance = fit.tau_s * fit.tau_s * cov[ln_tau][ln_tau] + cov[delay][delay] +
                                 2.0 * fit.tau_s * cov[ln_tau][delay];
    fit.step = fallen;
    fit.residual = fitted.sigma;
    fit.ln_error = honest(fitted.standard_errors[ln_tau], fitted.sigma, noise, fallen);
    fit.late_error_s = honest(std::sqrt(late_variance), fitted.sigma, noise, fallen);
    fit.set_aside = doubt_of(fit, fitted.converged, level, end_s);
    return fit;
}

}  // namespace probekeeper::diagnosis

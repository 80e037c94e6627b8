// The water after its aeration stopped, dC/dt = -R C / (K + C), and a probe that lags it.
#include <algorithm>
#include <cmath>
#include <numbers>

#include "diagnosis/response_parts.h"
#include "estimate/fit.h"

namespace probekeeper::diagnosis {
namespace {

// The concentration at which the water uses half of what it uses of plenty, as a part of saturation, and how
// far off that may be (ln): activated sludge has 0.1 to 0.5 mg/L of some 9 (common practice, no source).
constexpr double half_part = 0.027, half_ln_error = 1.0;
// Blowers and diffusers run down in seconds (common practice, no source): that part of the aerator's delay is
// a lag of its own. No decline tells how long it is, but without it each would look more like first order. A
// guess; where edges are timed by the airflow, the delay is none, but the run-down is there.
constexpr double run_down_part = 0.7, least_run_down_s = 4.0;
constexpr double least_level_part = 0.09;  // of saturation
constexpr double longest_step_s = 5.0;
constexpr double steps_to_empty = 50.0;
// One decline can be misread; no single one may decide of what kind a response is.
constexpr double most_evidence = 3.0;
// A kind that is less likely than this is not tried any more.
constexpr double hardly = 0.05;
// What is known of a moment that was found in the readings; it may be as early as the fit lets it. Guesses.
constexpr double found_delay_s = 15.0, found_delay_error_s = 80.0, earliest_s = -60.0;
constexpr std::string_view not_converged = "the fit did not converge",
                           uneven = "the water did not fall evenly";
// Three things known beforehand join as readings of weight (noise / error)^2, at times that mark them.
constexpr double delay_mark = -1e6, half_mark = -2e6, zero_mark = -3e6;

enum Parameter : std::size_t { before, drift, uptake, ln_half, ln_tau, delay, at_zero, parameters };
using Gradient = std::array<double, parameters>;

// How a step is shown, 1 - sum of part e^(-n^2 t / tau): one mode of a first-order lag; of a membrane as many
// as readings tell (Crank), of which the last one stands for all that follow.
struct Kind {
    std::size_t modes;
    std::array<double, 4> part;
    double mean_lag;  // over tau
};
constexpr Kind first_order{1, {1.0}, 1.0};
constexpr Kind membrane{4, {2.0, -2.0, 2.0, -1.0}, std::numbers::pi* std::numbers::pi / 6.0};

// A first-order lag behind an input that is straight over a step: what is left of what was shown, and the
// weights of the input at the begin and the end; and each by ln of its time constant.
struct Lag {
    double tau_s = 0.0, part = 0.0, part_by_ln_tau = 0.0;
    double keep = 0.0, of_begin = 0.0, of_end = 0.0;
    double keep_by = 0.0, of_begin_by = 0.0, of_end_by = 0.0;

    void weigh(double h) {
        double const ratio = h / tau_s;
        keep = std::exp(-ratio);
        keep_by = ratio * keep;
        double const mean = ratio > 1e-9 ? (1.0 - keep) / ratio : 1.0;
        of_end = 1.0 - mean;
        of_end_by = keep - mean;
        of_begin = mean - keep;
        of_begin_by = mean - keep - keep_by;
    }
};

// What the probe shows of the water's fall, worked out from reading to reading; the readings must come in
// the order of their times. Of the water, C + K ln C = C0 + K ln C0 - R u is exact; all that lags behind it
// takes it as straight between steps. The run-down of the air and the modes of the probe follow each other,
// which partial fractions turn into lags side by side.
class Fall {
public:
    Fall(Gradient const& p, Kind const& kind, double run_down_s, double step_s)
        : mean_lag_s_{kind.mean_lag * std::exp(p[ln_tau])},
          // The reading is behind a water that drifts, which is already so much further.
          level_{std::max(p[before] + p[drift] * (p[delay] + mean_lag_s_) - p[at_zero], 1e-3)},
          ln_level_{std::log(level_)},
          drift_{p[drift]},
          uptake_{p[uptake]},
          half_{std::exp(p[ln_half])},
          step_s_{step_s},
          ln_c_{ln_level_} {
        set_lags(kind, run_down_s, std::exp(p[ln_tau]));
    }

    // `u`: seconds since the air began to run down.
    void go_to(double u) {
        int const steps = std::max(1, static_cast<int>(std::ceil((u - u_) / step_s_ - 0.01)));
        double const h = (u - u_) / steps;
        weigh(h);
        for (int i = 0; i < steps; ++i) {
            step(h);
        }
        u_ = u;
    }

    [[nodiscard]] double mean_lag_s() const { return mean_lag_s_; }
    // Of the fall, and of the drift that ended with the air.
    [[nodiscard]] double value() const { return of_all(total); }
    // By the level before, the uptake, ln K, the drift, ln tau, and by time.
    [[nodiscard]] double by_level() const { return of_all(level); }
    [[nodiscard]] double by_uptake() const { return of_all(used); }
    [[nodiscard]] double by_ln_half() const { return of_all(halved); }
    [[nodiscard]] double by_drift() const { return of_all(ended); }
    [[nodiscard]] double by_ln_tau() const {
        double sum = 0.0;
        for (std::size_t i = 0; i < count_; ++i) {
            sum += lags_[i].part * by_ln_tau_[i] + lags_[i].part_by_ln_tau * shown_[i][total];
        }
        return sum;
    }
    [[nodiscard]] double by_time() const {
        double sum = 0.0;
        for (std::size_t i = 0; i < count_; ++i) {
            sum += lags_[i].part * (water_[total] - shown_[i][total]) / lags_[i].tau_s;
        }
        return sum;
    }

private:
    enum Course : std::size_t { total, level, used, halved, ended, courses };
    using Water = std::array<double, courses>;
    static constexpr std::size_t most_lags = 5;

    // The first one is the run-down.
    void set_lags(Kind const& kind, double run_down_s, double tau_s) {
        count_ = kind.modes + 1;
        lags_[0].tau_s = run_down_s;
        for (std::size_t i = 0; i < kind.modes; ++i) {
            auto& lag = lags_[i + 1];
            auto const n = static_cast<double>(i + 1);
            lag.tau_s = tau_s / (n * n);
            // Two equal lags have another form; a little beside it this one is as good.
            if (std::abs(lag.tau_s - run_down_s) < 1e-3 * run_down_s) {
                lag.tau_s = (1.0 + 1e-3) * run_down_s;
            }
            double const apart_s = lag.tau_s - run_down_s;
            lag.part = kind.part[i] * lag.tau_s / apart_s;
            lag.part_by_ln_tau = -lag.part * run_down_s / apart_s;
            lags_[0].part += kind.part[i] - lag.part;
            lags_[0].part_by_ln_tau -= lag.part_by_ln_tau;
        }
    }

    void weigh(double h) {
        if (h == weighed_h_) {
            return;
        }
        weighed_h_ = h;
        for (std::size_t i = 0; i < count_; ++i) {
            lags_[i].weigh(h);
        }
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
        Water const next{c - level_ - drift_ * reached_, answer * (1.0 + half_ / level_) - 1.0,
                         -answer * reached_, answer * half_ * (ln_level_ - ln_c_), -reached_};
        for (std::size_t i = 0; i < count_; ++i) {
            auto const& lag = lags_[i];
            auto& shown = shown_[i];
            // The run-down does not hang on tau.
            by_ln_tau_[i] = i == 0 ? 0.0
                                   : lag.keep * by_ln_tau_[i] + lag.keep_by * shown[total] +
                                         lag.of_begin_by * water_[total] + lag.of_end_by * next[total];
            for (std::size_t k = 0; k < courses; ++k) {
                shown[k] = lag.keep * shown[k] + lag.of_begin * water_[k] + lag.of_end * next[k];
            }
        }
        water_ = next;
    }

    [[nodiscard]] double of_all(Course course) const {
        double sum = 0.0;
        for (std::size_t i = 0; i < count_; ++i) {
            sum += lags_[i].part * shown_[i][course];
        }
        return sum;
    }

    double mean_lag_s_, level_, ln_level_, drift_, uptake_, half_, step_s_;
    double u_ = 0.0, reached_ = 0.0, ln_c_;
    double weighed_h_ = -1.0;
    std::size_t count_ = 0;
    std::array<Lag, most_lags> lags_{};
    std::array<Water, most_lags> shown_{};
    std::array<double, most_lags> by_ln_tau_{};
    Water water_{};
};

auto curve_of(Kind const& kind, double run_down_s, double step_s) {
    return [&kind, run_down_s, step_s](Gradient const& p) {
        return [&p, run_down_s, fall = Fall{p, kind, run_down_s, step_s}](double t, Gradient& g) mutable {
            g = {};
            if (t <= delay_mark) {
                auto const known = t == delay_mark ? delay : t == half_mark ? ln_half : at_zero;
                g[known] = 1.0;
                return p[known];
            }
            g[before] = 1.0;
            g[drift] = t;
            // The delay has the run-down in it.
            double const u = t - (p[delay] - run_down_s);
            if (u <= 0.0) {
                return p[before] + p[drift] * t;
            }
            fall.go_to(u);
            double const by_level = fall.by_level(), lag_s = fall.mean_lag_s();
            g[before] += by_level;
            g[drift] += fall.by_drift() + by_level * (p[delay] + lag_s);
            g[uptake] = fall.by_uptake();
            g[ln_half] = fall.by_ln_half();
            g[ln_tau] = fall.by_ln_tau() + by_level * p[drift] * lag_s;
            g[delay] = by_level * p[drift] - fall.by_time();
            g[at_zero] = -by_level;
            return p[before] + p[drift] * t + fall.value();
        };
    };
}

struct Window {
    Points used;
    double level = 0.0, end_s = 0.0, fallen = 0.0;
    std::size_t after = 0;
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
        w.end_s = p.t_s;
        w.fallen = level - p.value;
    }
    return w;
}

std::string_view doubt_of(ResponseFit const& fit, bool converged, double level, double end_s) {
    if (!converged) {
        return not_converged;
    }
    if (fit.residual > 0.05 * level) {
        return uneven;
    }
    if (end_s < 1.5 * fit.tau_s) {
        return "cut short before the reading had settled";
    }
    return fit.late_error_s < 0.5 * fit.late_s ? "" : too_uncertain;
}

struct OneKind {
    ResponseFit fit;
    double squares = 0.0;
};

// `w` with what is known beforehand in it, whose place in `start` it is, too.
OneKind fit_kind(Window const& w, Kind const& kind, Gradient start, double noise, double saturation) {
    double const level = w.level, half = half_part * saturation;
    estimate::FitOptions<parameters> options;
    options.lower = {-1e3, -1.0, 1e-6, std::log(0.05 * half), std::log(0.5), earliest_s, -level};
    options.upper = {1e3, 1.0, 10.0, std::log(20.0 * half), std::log(1200.0), 240.0, 0.5 * level};
    options.weights = std::span<double const>{w.used.weight.data(), w.used.count};
    options.tolerance = 3e-3;
    double const step_s = std::max(longest_step_s, level / start[uptake] / steps_to_empty);
    double const run_down_s = std::max(run_down_part * start[delay], least_run_down_s);
    start[ln_tau] -= std::log(kind.mean_lag);
    auto const fitted = estimate::least_squares<parameters>(
        curve_of(kind, run_down_s, step_s), std::span<double const>{w.used.t.data(), w.used.count},
        std::span<double const>{w.used.y.data(), w.used.count}, start, options);
    ResponseFit fit;
    fit.tau_s = kind.mean_lag * std::exp(fitted.parameters[ln_tau]);
    fit.onset_s = fitted.parameters[delay];
    fit.late_s = fit.tau_s + fit.onset_s;
    auto const& cov = fitted.covariance;
    double const late_variance = fit.tau_s * fit.tau_s * cov[ln_tau][ln_tau] + cov[delay][delay] +
                                 2.0 * fit.tau_s * cov[ln_tau][delay];
    fit.step = w.fallen;
    fit.residual = fitted.sigma;
    fit.ln_error = honest(fitted.standard_errors[ln_tau], fitted.sigma, noise, fit.step);
    fit.late_error_s = honest(std::sqrt(late_variance), fitted.sigma, noise, fit.step);
    fit.set_aside = doubt_of(fit, fitted.converged, level, w.end_s);
    return {fit, fitted.rss};
}

// By both kinds, as likely as they are.
ResponseFit between(OneKind const& a, OneKind const& b, double membrane_probability, double variance) {
    double const p = membrane_probability;
    if (!a.fit.set_aside.empty() || !b.fit.set_aside.empty()) {
        return (a.fit.set_aside.empty() ? a : b).fit;
    }
    ResponseFit fit = p > 0.5 ? b.fit : a.fit;
    fit.tau_s = (1.0 - p) * a.fit.tau_s + p * b.fit.tau_s;
    fit.onset_s = (1.0 - p) * a.fit.onset_s + p * b.fit.onset_s;
    fit.late_s = fit.tau_s + fit.onset_s;
    fit.membrane_evidence =
        std::clamp(0.5 * (a.squares - b.squares) / variance, -most_evidence, most_evidence);
    return fit;
}

}  // namespace

ResponseFit fit_decline(std::span<FitPoint const> points, double delay_s, double delay_error_s, double noise,
                        double saturation, double membrane_probability, ZeroReading const& zero) {
    double const level = median_where(points, -120.0, 0.0);
    if (std::isnan(level) || level < least_level_part * saturation) {
        return refused("no oxygen to fall from");
    }
    auto w = window_of(points, level);
    if (w.after < 7 || w.used.count - w.after < 3) {
        return refused("too few readings within the response");
    }
    if (w.fallen < 0.3 * level) {
        return refused("the water did not fall enough");
    }
    auto const readings = static_cast<double>(w.used.count);
    double const half = half_part * saturation;
    double const rate_guess = w.fallen / std::max(1.0, 0.8 * w.end_s);
    double const weight_noise = std::max(noise, 0.01 * level);
    w.used.add(delay_mark, delay_s, std::pow(weight_noise / delay_error_s, 2));
    w.used.add(half_mark, std::log(half), std::pow(weight_noise / half_ln_error, 2));
    w.used.add(zero_mark, zero.value, std::pow(weight_noise / zero.error, 2));
    Gradient const start{level,
                         0.0,
                         rate_guess * (1.0 + half / level),
                         std::log(half),
                         std::log(std::max(5.0, 0.2 * w.end_s)),
                         delay_s,
                         zero.value};
    auto const fit = [&](Kind const& kind) { return fit_kind(w, kind, start, noise, saturation); };
    if (membrane_probability < hardly || membrane_probability > 1.0 - hardly) {
        return fit(membrane_probability < 0.5 ? first_order : membrane).fit;
    }
    auto const a = fit(first_order), b = fit(membrane);
    double const free = std::max(1.0, readings - static_cast<double>(parameters) + 1.0);
    double const variance = std::max(noise * noise, std::min(a.squares, b.squares) / free);
    return between(a, b, membrane_probability, variance);
}

ResponseFit fit_found_fall(std::span<FitPoint const> points, double noise, double saturation,
                           ZeroReading const& zero) {
    auto fit = fit_decline(points, found_delay_s, found_delay_error_s, noise, saturation, 0.5, zero);
    fit.onset_found = true;
    // A lag at the least that is tried has no error of its own; and how slowly the air ran down is known no
    // better than by itself.
    constexpr double untold = 3.0;
    fit.ln_error = fit.ln_error < untold ? std::hypot(fit.ln_error, least_run_down_s / fit.tau_s) : untold;
    bool const tells = fit.tau_s > 0.0 && fit.set_aside != not_converged && fit.set_aside != uneven;
    if (tells) {
        // One that tells little is not left out: those that say much would seem the better ones for their own
        // size.
        fit.set_aside = fit.onset_s > earliest_s + 1.0 ? "" : "nothing shows when it began";
    }
    return fit;
}

}  // namespace probekeeper::diagnosis

// The rise out of water without oxygen when nothing tells when the air came on: dC/dt = kLa (C* - C) - OUR,
// where OUR needs oxygen (Monod), and a probe that lags it from a moment that is part of the fit.
#include <algorithm>
#include <cmath>

#include "diagnosis/response_parts.h"
#include "estimate/fit.h"

namespace probekeeper::diagnosis {
namespace {

// Of the way that the oxygen goes within the window: beyond it a site's controller takes the air back. A
// guess.
constexpr double part_used = 0.65;
constexpr double least_change_part = 0.06;  // of saturation
constexpr double most_change_part = 0.75;
constexpr double least_steps = 40.0;  // a change of so many standard deviations of a reading
// The concentration at which the water uses half as much oxygen: activated sludge has 0.1 to 0.5 mg/L
// (common practice, no source).
constexpr double half_saturation_mg_l = 0.25, ln_half_saturation_error = 0.3;
// Of what the aerator can give, the part that the water uses: no tank could hold oxygen with more, and few
// are built to need less than a quarter. A guess.
constexpr double usual_used_part = 0.5, used_part_error = 0.25;
// Of probe and blower together. Without it a fit may take the one for the other: the water's way for a probe
// of many minutes. Wide enough for a coated probe. A guess.
constexpr double usual_lag_s = 25.0, ln_lag_error = 0.8;

// Doubtful fits are the slow ones: to leave them out would make a slow probe quick. Many together have a
// median.
constexpr double largest_error = 30.0;
constexpr double least_noise = 0.003;  // mg/L

enum Parameter : std::size_t { floor_level, ln_given, used_part, ln_half, ln_tau, onset, parameters };
using Gradient = std::array<double, parameters>;

// What water and probe do from the moment that the air comes on, second by second, with what each parameter
// does to the probe.
class Course {
public:
    Course(Gradient const& p, double saturation, double until_s) : p_{p} {
        double const given = std::exp(p[ln_given]), half = std::exp(p[ln_half]), lag = std::exp(-p[ln_tau]);
        auto const change = [&](State const& s) {
            double const share = s[water] / (half + s[water]);
            double const by_water =
                -given / saturation - p[used_part] * given * half / ((half + s[water]) * (half + s[water]));
            double const rate = given * (1.0 - s[water] / saturation) - p[used_part] * given * share;
            return State{
                rate,
                by_water * s[water_by_given] + rate,
                by_water * s[water_by_used] - given * share,
                by_water * s[water_by_half] + p[used_part] * given * share * half / (half + s[water]),
                lag * (s[water] - s[shown]),
                lag * (s[water_by_given] - s[shown_by_given]),
                lag * (s[water_by_used] - s[shown_by_used]),
                lag * (s[water_by_half] - s[shown_by_half]),
                -lag * (s[water] - s[shown] + s[shown_by_tau])};
        };
        count_ = std::min(most, static_cast<std::size_t>(std::max(until_s - p[onset], 0.0)) + 3);
        for (std::size_t i = 1; i < count_; ++i) {
            auto const& now = course_[i - 1];
            auto const begin = change(now);
            State ahead{};
            for (std::size_t k = 0; k < states; ++k) {
                ahead[k] = now[k] + begin[k];
            }
            auto const end = change(ahead);
            for (std::size_t k = 0; k < states; ++k) {
                course_[i][k] = now[k] + 0.5 * (begin[k] + end[k]);
            }
        }
    }
    double at(double t, Gradient& g) const {
        g[floor_level] = 1.0;
        double const u = t - p_[onset];
        if (u <= 0.0) {
            return p_[floor_level];
        }
        auto const i = std::min(static_cast<std::size_t>(u), count_ - 2);
        double const part = u - static_cast<double>(i);
        auto const between = [&](Quantity q) {
            return course_[i][q] + part * (course_[i + 1][q] - course_[i][q]);
        };
        g[ln_given] = between(shown_by_given);
        g[used_part] = between(shown_by_used);
        g[ln_half] = between(shown_by_half);
        g[ln_tau] = between(shown_by_tau);
        g[onset] = course_[i][shown] - course_[i + 1][shown];
        return p_[floor_level] + between(shown);
    }

private:
    enum Quantity : std::size_t {
        water,
        water_by_given,
        water_by_used,
        water_by_half,
        shown,
        shown_by_given,
        shown_by_used,
        shown_by_half,
        shown_by_tau,
        states
    };
    using State = std::array<double, states>;
    static constexpr std::size_t most = 400;
    Gradient const& p_;
    std::array<State, most> course_{};
    std::size_t count_ = 0;
};

// Water without oxygen does not move: what the readings do there is their own.
double noise_where(std::span<FitPoint const> points, double from_s, double to_s) {
    std::array<double, most_points> kept{};
    std::size_t n = 0;
    for (auto const& p : points) {
        if (p.t_s >= from_s && p.t_s <= to_s && n < kept.size()) {
            kept[n++] = p.value;
        }
    }
    double const seen = n < 3 ? 0.0 : estimate::mad_sigma_inplace(std::span{kept.data(), n});
    return std::max(seen, least_noise);
}

// The readings of the floor, and those of the first part of the way up.
struct Window {
    Points used;
    double noise = 0.0, level = 0.0, change = 0.0;
    std::string_view refused;  // why it is no rise; empty where it is one
};

Window window_of(std::span<FitPoint const> points, double saturation) {
    Window w;
    w.noise = noise_where(points, -180.0, -20.0);
    w.level = median_where(points, -180.0, -30.0);
    if (std::isnan(w.level)) {
        w.refused = "too few readings within the response";
        return w;
    }
    for (auto const& p : points) {
        w.change = p.t_s > 0.0 ? std::max(w.change, p.value - w.level) : w.change;
    }
    std::size_t after = 0;
    for (auto const& p : points) {
        if (p.t_s > 0.0 && p.value - w.level > part_used * w.change) {
            break;
        }
        w.used.add(p.t_s, p.value);
        after += p.value - w.level > 0.02 * w.change && p.t_s > -30.0 ? 1U : 0U;
    }
    // A blast or a lift comes back within the window, or reaches air; water does neither.
    bool const leapt =
        points.back().value - w.level < 0.5 * w.change || w.change > most_change_part * saturation;
    if (w.change < std::max(least_change_part * saturation, least_steps * w.noise)) {
        w.refused = "the water did not rise enough";
    } else if (leapt) {
        w.refused = "the reading leapt";
    } else if (after < 5 || w.used.count - after < 5) {
        w.refused = "too few readings within the response";
    }
    return w;
}

// What is known beforehand joins as readings of weight (noise / error)^2, at times that mark them.
constexpr double half_mark = -1e6, used_mark = -2e6, lag_mark = -3e6;

void add_known(Points& used, double noise) {
    auto const add = [&](double mark, double value, double error) {
        used.add(mark, value, std::pow(noise / error, 2));
    };
    add(half_mark, std::log(half_saturation_mg_l), ln_half_saturation_error);
    add(used_mark, usual_used_part, used_part_error);
    add(lag_mark, std::log(usual_lag_s), ln_lag_error);
}

// `noise`: what the readings will leave of the model, which says how much what is known beforehand counts.
estimate::FitResult<parameters> fit_course(Window w, double saturation, double noise) {
    double const end_s = w.used.t[w.used.count - 1];
    add_known(w.used, noise);
    auto const model = [saturation, end_s](Gradient const& p) {
        return [&p, course = Course{p, saturation, end_s}](double t, Gradient& g) {
            auto const known = [&](Parameter which) {
                g[which] = 1.0;
                return p[which];
            };
            return t == half_mark   ? known(ln_half)
                   : t == used_mark ? known(used_part)
                   : t == lag_mark  ? known(ln_tau)
                                    : course.at(t, g);
        };
    };
    double const rate = part_used * w.change / std::max(end_s, 10.0);
    estimate::FitOptions<parameters> options;
    options.max_iterations = 60;
    options.tolerance = 1e-4;
    options.lower = {-1e3, std::log(1e-4), 0.0, std::log(0.03), std::log(2.0), -90.0};
    options.upper = {1e3, std::log(1.0), 0.97, std::log(2.0), std::log(300.0), 90.0};
    options.weights = std::span<double const>{w.used.weight.data(), w.used.count};
    return estimate::least_squares<parameters>(
        model, std::span<double const>{w.used.t.data(), w.used.count},
        std::span<double const>{w.used.y.data(), w.used.count},
        {w.level, std::log(2.0 * rate), usual_used_part, std::log(half_saturation_mg_l),
         std::log(std::clamp(0.2 * end_s, 5.0, 60.0)), 0.0},
        options);
}

}  // namespace

ResponseFit fit_found_rise(std::span<FitPoint const> points, double saturation) {
    auto const window = window_of(points, saturation);
    if (!window.refused.empty()) {
        return refused(window.refused);
    }
    double const least = std::max(window.noise, 0.001 * window.change);
    auto fitted = fit_course(window, saturation, least);
    // A coarse reading rests at its floor without any noise, and is off by half a step on its way.
    if (fitted.sigma > 1.5 * least) {
        fitted = fit_course(window, saturation, fitted.sigma);
    }
    auto const quiet = [&](double error) {
        return optimism * error * std::max(1.0, window.noise / std::max(fitted.sigma, 1e-9));
    };
    ResponseFit fit;
    fit.onset_found = true;
    fit.tau_s = fit.late_s = std::exp(fitted.parameters[ln_tau]);
    fit.ln_error = quiet(fitted.standard_errors[ln_tau]);
    fit.late_error_s = fit.tau_s * fit.ln_error;
    fit.onset_s = fitted.parameters[onset];
    fit.kla_per_h = 3600.0 * std::exp(fitted.parameters[ln_given]) / saturation;
    fit.kla_ln_error = quiet(fitted.standard_errors[ln_given]);
    fit.step = window.change;
    fit.residual = fitted.sigma;
    if (!fitted.converged) {
        fit.set_aside = "the fit did not converge";
    } else if (fit.residual > 0.03 * window.change) {
        fit.set_aside = "the water did not rise evenly";
    } else if (!(fit.ln_error < largest_error)) {
        fit.set_aside = "too uncertain";
    }
    return fit;
}

}  // namespace probekeeper::diagnosis

#include "diagnosis/response.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numbers>

#include "diagnosis/response_parts.h"
#include "estimate/fit.h"

namespace probekeeper::diagnosis {
namespace {

// Of the step: what the water may move within three time constants before its bends pass for response. A
// guess.
constexpr double most_slope = 0.2;

// Where the tail begins: the first point after the extreme whose distance from the baseline is clearly less.
struct Tail {
    std::size_t top = 0;    // the extreme
    std::size_t begin = 0;  // first point of the tail
    double base = 0.0, height = 0.0;
};

std::optional<Tail> find_tail(std::span<FitPoint const> points, double before_s) {
    Tail tail;
    double const last = points.back().t_s;
    tail.base = median_where(points, -std::numeric_limits<double>::infinity(), before_s);
    if (std::isnan(tail.base)) {
        tail.base = median_where(points, 0.75 * last, last);
    }
    for (std::size_t i = 0; i < points.size(); ++i) {
        if (points[i].t_s > before_s && points[i].t_s < 0.5 * last &&
            std::abs(points[i].value - tail.base) > std::abs(tail.height)) {
            tail.height = points[i].value - tail.base;
            tail.top = i;
        }
    }
    for (std::size_t i = tail.top + 1; i < points.size(); ++i) {
        if ((points[i].value - tail.base) / tail.height < 0.8) {
            tail.begin = i;
            return tail;
        }
    }
    return std::nullopt;
}

// When the tail, run backwards, reaches the height at the end of the step. That height is the last reading
// before, carried on to the end as a first-order probe would have risen meanwhile; so the onset of a
// first-order probe is 0 whatever the moment of that reading, and what is left is transport or flush.
double onset_of(std::span<FitPoint const> points, double before_s, double baseline, double tau_s,
                double start_s, double height_at_start) {
    FitPoint last{before_s, baseline};
    for (auto const& p : points) {
        if (p.t_s > before_s && p.t_s <= 0.0) {
            last = p;
        }
    }
    double const extrapolated = height_at_start * std::exp(start_s / tau_s);
    double const length_s = -before_s;
    double const grown =
        (1.0 - std::exp(-length_s / tau_s)) / (1.0 - std::exp(-(length_s + last.t_s) / tau_s));
    double const height = (last.value - baseline) * grown;
    // Far below the tail's height: the output was frozen, or the only reading came right after the begin.
    if (!(height / extrapolated > 0.2) || grown > 2.0) {
        return std::numeric_limits<double>::quiet_NaN();
    }
    return tau_s * std::clamp(std::log(extrapolated / height), -1.0, 2.0);
}

// Water that moves does so for as long as a test lasts; a guess of how much of it a straight line leaves.
constexpr double baseline_moves = 0.3;

// Readings that come as far apart as the step is long see its area well or badly by chance, and a timer's
// steps all alike: what readings every `every_s` make of a step that is rounded off by its time constant, or
// at least by the flush of the water, as a part of the area (the first harmonic of sampling, root mean
// square).
double seen_by_chance(double every_s, double length_s, double tau_s) {
    constexpr double flush_s = 4.0;
    double const rounded = 2.0 * std::numbers::pi * std::max(tau_s, flush_s) / every_s;
    return std::numbers::sqrt2 * std::min(1.0, every_s / (std::numbers::pi * length_s)) /
           std::sqrt(1.0 + rounded * rounded);
}

// The area above a straight baseline, by trapezoids, and what the tail holds beyond the last point.
void measure_area(std::span<FitPoint const> points, double before_s, double base, double slope,
                  double tail_height, ResponseFit& fit) {
    auto const height = [&](FitPoint const& p) { return p.value - base - slope * p.t_s; };
    double longest_s = 0.0;
    fit.area = 0.0;
    for (std::size_t i = 1; i < points.size(); ++i) {
        if (points[i].t_s > before_s) {
            double const between_s = points[i].t_s - points[i - 1].t_s;
            fit.area += 0.5 * (height(points[i - 1]) + height(points[i])) * between_s;
            longest_s = std::max(longest_s, between_s);
        }
    }
    fit.area += tail_height * fit.tau_s;
    fit.below_step = base + 0.5 * slope * before_s;
    double const width_s = 3.0 * fit.tau_s - before_s;
    fit.area_error = std::max(fit.residual, water_moves * std::abs(fit.step)) *
                     std::hypot(std::sqrt(width_s * longest_s), baseline_moves * width_s);
    // A tail that is hardly told from a slope of the water leaves the area as open.
    fit.area_error = std::hypot(
        fit.area_error, fit.area * std::hypot(seen_by_chance(longest_s, -before_s, fit.tau_s), fit.ln_error));
}

// Of a response that is over before two readings tell its tail, only its area is of use.
void measure_quick(std::span<FitPoint const> points, double before_s, Tail const& tail, ResponseFit& fit) {
    double const last_s = points.back().t_s;
    double const after = median_where(points, 0.5 * last_s, last_s);
    double const slope = (after - tail.base) / (0.75 * last_s - 1.5 * before_s);
    fit.step = tail.height;
    fit.held = median_where(points, before_s, 0.0) - tail.base;
    measure_area(points, before_s, after - 0.75 * last_s * slope, slope, 0.0, fit);
}

}  // namespace

ResponseFit fit_fall(std::span<FitPoint const> points, double before_s, double noise) {
    if (points.size() < 8) {
        return refused("too few readings");
    }
    auto const tail = find_tail(points, before_s);
    if (!tail || tail->height == 0.0) {
        return refused("no step seen");
    }
    double const start_s = points[tail->begin].t_s;
    Points used;
    std::size_t within = 0;  // points on the steep part of the tail: they carry the answer
    for (std::size_t i = 0; i < points.size(); ++i) {
        if (points[i].t_s < before_s || i >= tail->begin) {
            used.add(points[i].t_s, points[i].value);
        }
        double const part = (points[i].value - tail->base) / tail->height;
        within += i >= tail->begin && part > 0.12 ? 1U : 0U;
    }
    if (used.count < 8 || within < 2) {
        auto fit = refused("too few readings within the response");
        fit.quicker_than_readings = used.count >= 8 && std::abs(tail->height) > 12.0 * noise;
        measure_quick(points, before_s, *tail, fit);
        return fit;
    }
    // y = c + s t, and past the step also A exp(-(t - start) / tau)
    auto const model = [start_s](std::array<double, 4> const& p) {
        return [start_s, &p, tau = std::exp(p[3])](double t, std::array<double, 4>& g) {
            g = {1.0, t, 0.0, 0.0};
            double value = p[0] + p[1] * t;
            if (t >= start_s) {
                double const e = std::exp(-(t - start_s) / tau);
                g[2] = e;
                g[3] = p[2] * e * (t - start_s) / tau;
                value += p[2] * e;
            }
            return value;
        };
    };
    double const height_at_start = points[tail->begin].value - tail->base;
    double tau_guess = std::max(1.0, (points.back().t_s - start_s) / 6.0);
    for (std::size_t i = tail->begin; i < points.size(); ++i) {
        if ((points[i].value - tail->base) / height_at_start < 0.37) {
            tau_guess = std::max(0.5, points[i].t_s - start_s);
            break;
        }
    }
    estimate::FitOptions<4> options;
    options.tolerance = 1e-4;
    options.lower = {-1e9, -1e3, -1e9, std::log(0.3)};
    options.upper = {1e9, 1e3, 1e9, std::log(3600.0)};
    auto const fitted =
        estimate::least_squares<4>(model, std::span<double const>{used.t.data(), used.count},
                                   std::span<double const>{used.y.data(), used.count},
                                   {tail->base, 0.0, height_at_start, std::log(tau_guess)}, options);
    ResponseFit fit;
    fit.tau_s = std::exp(fitted.parameters[3]);
    fit.residual = fitted.sigma;
    double const baseline = fitted.parameters[0];
    fit.step = points[tail->top].value - (baseline + fitted.parameters[1] * points[tail->top].t_s);
    fit.ln_error = honest(fitted.standard_errors[3], fitted.sigma, noise, fit.step);
    fit.held = median_where(points, std::max(before_s, -fit.tau_s), 0.0) - baseline;
    fit.onset_s = onset_of(points, before_s, baseline, fit.tau_s, start_s, fitted.parameters[2]);
    measure_area(points, before_s, baseline, fitted.parameters[1],
                 fitted.parameters[2] * std::exp((start_s - points.back().t_s) / fit.tau_s), fit);
    if (!fitted.converged) {
        fit.set_aside = "the fit did not converge";
    } else if (std::abs(fit.step) < 6.0 * fit.residual) {
        fit.set_aside = "the step is too small for the noise";
    } else if (std::abs(fitted.parameters[1]) * 3.0 * fit.tau_s > most_slope * std::abs(fit.step)) {
        fit.set_aside = "the water moved as much as the response";
    } else if (points.back().t_s - start_s < 2.0 * fit.tau_s) {
        fit.set_aside = "cut short before the reading had settled";
    } else if (!(fit.ln_error < 0.2)) {
        fit.set_aside = "too uncertain";
    }
    return fit;
}

}  // namespace probekeeper::diagnosis

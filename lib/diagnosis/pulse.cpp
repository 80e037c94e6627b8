#include "diagnosis/pulse.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "diagnosis/flushed_step.h"
#include "diagnosis/response_parts.h"
#include "estimate/fit.h"

namespace probekeeper::diagnosis {
namespace {

constexpr double flush_ln_error = 0.5;  // of the usual one. A guess
// What lags longer than that beside the membrane is no flush but slime or the transmitter's damping, and
// belongs to the response. A guess.
constexpr double longest_flush_s = 6.0;
// Of the way to air: span, weather, a membrane that the air reaches in part. A guess.
constexpr double way_part_error = 0.15;
// Of the way: what no model of a blast gets right. A guess.
constexpr double misfit_part = 0.01;
// One blast can be misread; no single one may decide. And residuals hang together, so that fewer speak. A
// guess, which the simulated blasts bear out.
constexpr double most_evidence = 3.0, evidence_share = 0.5;
// A valve and its line act a little before or after the bit that tells of them. A guess.
constexpr double bit_error_s = 3.0;

enum Parameter : std::size_t { base, drift, height, ln_tau, ln_flush, end, begin, parameters };
using Gradient = std::array<double, parameters>;

// What is known beforehand joins as readings of weight (noise / error)^2, at times that mark them.
constexpr double mark_s = -1e6;

struct Known {
    Points points;
    Gradient start{};
    double noise = 0.0;
    std::size_t readings = 0;
};

Known known_of(std::span<FitPoint const> points, Pulse const& pulse, double noise) {
    Known k;
    for (auto const& p : points) {
        if (!pulse.frozen || p.t_s <= pulse.begin_s || p.t_s > 0.0) {
            k.points.add(p.t_s, p.value);
        }
    }
    k.readings = k.points.count;
    k.noise = std::max(noise, misfit_part * std::abs(pulse.way));
    auto const add = [&k](Parameter which, double value, double error) {
        k.start[which] = value;
        k.points.add(mark_s * static_cast<double>(which), value, std::pow(k.noise / error, 2));
    };
    double const evenly = std::sqrt(12.0);  // an even spread has its width over that as standard deviation
    add(height, pulse.way, way_part_error * std::abs(pulse.way) + noise);
    add(ln_flush, std::log(usual_flush_s), flush_ln_error);
    add(end, 0.0, std::hypot(pulse.end_gap_s / evenly, bit_error_s));
    add(begin, pulse.begin_s, std::hypot(pulse.begin_gap_s / evenly, bit_error_s));
    double const before = median_where(points, -std::numeric_limits<double>::infinity(), pulse.begin_s);
    k.start[base] = std::isnan(before) ? points.back().value : before;
    return k;
}

struct OneKind {
    double ln_t90 = 0.0, error = 0.0, squares = 0.0;
    bool found = false;
};

// T90 of the probe with what lags beside it and is no flush.
double ln_t90_of(double tau_s, double flush_s, bool membrane) {
    double const alone_s = tau_s * t90_over_tail(membrane);
    double const beside_s = flush_s - longest_flush_s;
    if (!(beside_s > 0.05 * tau_s)) {
        return std::log(alone_s);
    }
    FlushedStep const shown{tau_s, beside_s, membrane};
    double low = alone_s, high = alone_s + 4.0 * beside_s;
    while (high - low > 1e-3 * alone_s) {
        double const middle = 0.5 * (low + high);
        (shown.at(middle).value < 0.9 ? low : high) = middle;
    }
    return std::log(0.5 * (low + high));
}

OneKind fit_kind(Known const& k, bool membrane, double tau_s) {
    auto const model = [membrane](Gradient const& p) {
        return [&p, shown = FlushedStep{std::exp(p[ln_tau]), std::exp(p[ln_flush]), membrane}](double t,
                                                                                               Gradient& g) {
            g = {};
            if (t < 0.5 * mark_s) {
                auto const which = static_cast<std::size_t>(std::lround(t / mark_s));
                g[which] = 1.0;
                return p[which];
            }
            auto const in = shown.at(t - p[begin]), out = shown.at(t - p[end]);
            g[base] = 1.0;
            g[drift] = t;
            g[height] = in.value - out.value;
            g[ln_tau] = p[height] * (in.by_tau - out.by_tau);
            g[ln_flush] = p[height] * (in.by_flush - out.by_flush);
            g[end] = p[height] * out.by_t;
            g[begin] = -p[height] * in.by_t;
            return p[base] + p[drift] * t + p[height] * g[height];
        };
    };
    constexpr double far_s = 60.0;
    estimate::FitOptions<parameters> options;
    options.max_iterations = 60;
    options.tolerance = 1e-3;
    options.lower = {-1e3, -1.0, -1e3, std::log(0.5), std::log(0.5), -far_s, k.start[begin] - far_s};
    options.upper = {1e3, 1.0, 1e3, std::log(3600.0), std::log(120.0), far_s, k.start[begin] + far_s};
    options.weights = std::span<double const>{k.points.weight.data(), k.points.count};
    auto start = k.start;
    start[ln_tau] = std::log(tau_s);
    auto const fitted = estimate::least_squares<parameters>(
        model, std::span<double const>{k.points.t.data(), k.points.count},
        std::span<double const>{k.points.y.data(), k.points.count}, start, options);
    OneKind out;
    out.ln_t90 =
        ln_t90_of(std::exp(fitted.parameters[ln_tau]), std::exp(fitted.parameters[ln_flush]), membrane);
    out.error = honest(fitted.standard_errors[ln_tau], fitted.sigma, k.noise, k.start[height]);
    out.squares = fitted.rss;
    out.found = fitted.converged && out.error < 0.5;  // not where it is NaN
    return out;
}

}  // namespace

PulseFit fit_pulse(std::span<FitPoint const> points, Pulse const& pulse, double tau_s, double noise) {
    auto const known = known_of(points, pulse, noise);
    auto const first_order = fit_kind(known, false, tau_s), membrane = fit_kind(known, true, tau_s);
    PulseFit fit;
    auto const& likelier = membrane.squares < first_order.squares ? membrane : first_order;
    // The other one may be far from anything that fits.
    if (known.readings < 10 || !likelier.found || !std::isfinite(first_order.squares + membrane.squares)) {
        return fit;
    }
    double const left = likelier.squares;
    double const variance =
        std::max(known.noise * known.noise, left / static_cast<double>(known.readings - 5));
    double const evidence = 0.5 * evidence_share * (first_order.squares - membrane.squares) / variance;
    fit.membrane_evidence = std::clamp(evidence, -most_evidence, most_evidence);
    fit.ln_first_order = first_order.ln_t90;
    fit.ln_membrane = membrane.ln_t90;
    fit.ln_error = likelier.error;
    return fit;
}

}  // namespace probekeeper::diagnosis

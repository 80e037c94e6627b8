#include "diagnosis/many_blasts.h"

#include <algorithm>
#include <cmath>

#include "diagnosis/flushed_step.h"
#include "diagnosis/pulse.h"
#include "diagnosis/response_parts.h"
#include "electrode/temperature.h"
#include "estimate/cholesky.h"

namespace probekeeper::diagnosis {
namespace {

// T90 is looked for from so many polls on, in steps of so much of its logarithm: a quicker one leaves nothing
// to read, of a slower one every blast tells enough.
constexpr double least_polls = 0.52, ln_step = 0.165;
// Readings of a blast that are used: of the water before it, and after its end.
constexpr std::size_t most_before = 4, most_within = 3, most_after = 8;
// Moments at which it may have ended, evenly: between two polls where a bit tells it, else among four.
constexpr std::size_t moments = 8, moments_of_found = 12;
// Blasts may be so much shorter or longer than usual: a bit that is read seldom counts them too long, and
// where none tells them, little is known. Guesses.
constexpr std::array<double, 2> lengths_told{0.7, 1.0};
constexpr std::array<double, 4> lengths_found{0.6, 0.8, 1.0, 1.4};
// Of the way to air: a membrane that air reaches in part, the span, an unknown length. It shall decide
// little. A guess.
constexpr double way_part_error = 0.6;
// And what no model of a blast gets right, of one reading after it; and of one that may lie within it, whose
// begin is not known. Guesses.
constexpr double misfit_part = 0.006, within_part = 0.2;
// What the water drifts by from one poll to the next, in the reading's noise. A guess.
constexpr double drift_noises = 3.0;
// A blast that shows less than so many standard deviations of a reading tells nothing.
constexpr double least_shown = 8.0;
// So much of what one blast says it says by mistake: the water moved. A guess.
constexpr double mistaken = 0.03;
// Mean square of what is left, in what is expected: more, and it tells nothing. A guess.
constexpr double most_left = 4.0;

// Before that many nothing is told; at that error, or that number, or that long after the first, it is.
constexpr std::uint32_t fewest = 3, enough = 8;
constexpr double good_error = 0.06, worst_error = 0.2;
constexpr std::int64_t longest_ms = 72 * 3'600'000LL;
// Of what they all have in common: the flush, what lags beside the membrane. A guess that simulated blasts
// bear out.
constexpr double common_error = 0.04;
// ln of the odds for a kind, that such blasts bring at most, and what of theirs is believed. Guesses.
constexpr double most_evidence = 3.0, evidence_share = 0.5;
// ln of T90 as a membrane's over that of first order, of the same tail: between them the trend goes by how
// likely each kind is. And how far apart their fits may be. A guess.
double const kinds_apart = std::log(t90_over_tail(true) / t90_over_tail(false));
constexpr double most_apart = 0.4;

struct Seen {
    std::array<FitPoint, most_before + most_within + most_after> points{};
    std::size_t count = 0;
    double gap_s = 0.0;  // between the polls
    double end_from_s = 0.0, end_to_s = 0.0;
    double base = 0.0, way = 0.0, sigma = 0.0;
    std::size_t within_from = 0, within_to = 0;  // those that may lie within the blast

    void add(FitPoint const& p) { points[count++] = p; }
};

// One that a bit tells ended between the last reading in it and the first one after it; what was read in it
// is left out, for the output may have been frozen. Of one that is found the highest reading is the last
// within it, or comes after it: that of a slow membrane up to a poll later.
Seen seen_of(ManyBlasts::Blast const& blast, ProbeKnown const& known) {
    Seen s;
    auto const& all = blast.points;
    double const begin_s = s_between(blast.step.end_ms, blast.step.begin_ms);
    std::size_t after = 0, before = 0;
    while (before < all.size() && all[before].t_s <= begin_s) {
        ++before;
    }
    while (after < all.size() && all[after].t_s <= 0.0) {
        ++after;
    }
    if (before < 2 || after + 4 > all.size() || after == 0) {
        return s;
    }
    s.gap_s = all[after].t_s - all[after - 1].t_s;
    s.base = median_where(all, -1e9, begin_s);
    for (std::size_t i = before - std::min(before, most_before); i < before; ++i) {
        s.add(all[i]);
    }
    if (blast.step.declared) {
        s.end_from_s = all[after - 1].t_s;
    } else {
        s.end_from_s = all[after - 1].t_s - 2.0 * s.gap_s;
        s.within_from = s.count;
        for (std::size_t i = std::max(before, after - std::min(after, most_within)); i < after; ++i) {
            s.add(all[i]);
        }
        s.within_to = s.count;
    }
    s.end_to_s = all[after].t_s;
    for (std::size_t i = after; i < std::min(all.size(), after + most_after); ++i) {
        s.add(all[i]);
    }
    s.way = known.in_air * blast.step.saturation - s.base;
    double const rounding = known.resolution / std::sqrt(12.0);
    s.sigma = std::hypot(std::max(known.noise, rounding), misfit_part * s.way);
    return s;
}

// ln of the likelihood of one hypothesis, base, drift and height left open as far as nothing is known of
// them; and the mean square of what it leaves.
struct Fitted {
    double ln_likelihood = -1e9, left = 1e9;
};

Fitted fit(Seen const& s, FlushedStep const& shown, double end_s, double length_s) {
    estimate::Matrix<3> a{};
    estimate::Vector<3> b{};
    double squares = 0.0, ln_weights = 0.0;
    double const way_error = way_part_error * std::abs(s.way) + 3.0 * s.sigma;
    for (std::size_t i = 0; i < s.count; ++i) {
        double const t = s.points[i].t_s, y = s.points[i].value - s.base;
        bool const within = i >= s.within_from && i < s.within_to && t < end_s && t > end_s - length_s;
        double const sigma = within ? std::hypot(s.sigma, within_part * s.way) : s.sigma;
        double const w = 1.0 / (sigma * sigma);
        estimate::Vector<3> const g{1.0, t / s.gap_s,
                                    shown.roughly_at(t - end_s + length_s) - shown.roughly_at(t - end_s)};
        for (std::size_t k = 0; k < 3; ++k) {
            for (std::size_t l = 0; l <= k; ++l) {
                a[k][l] += w * g[k] * g[l];
            }
            b[k] += w * g[k] * y;
        }
        squares += w * y * y;
        ln_weights += std::log(w);
    }
    double const by_way = 1.0 / (way_error * way_error);
    double const by_drift = 1.0 / std::pow(drift_noises * s.sigma, 2);
    a[1][1] += by_drift;
    a[2][2] += by_way;
    b[2] += by_way * s.way;
    squares += by_way * s.way * s.way;
    auto const lower = estimate::cholesky<3>(a, 0.0);
    if (!lower) {
        return {};
    }
    auto const x = estimate::cholesky_solve<3>(*lower, b);
    for (std::size_t k = 0; k < 3; ++k) {
        squares -= x[k] * b[k];
        ln_weights -= 2.0 * std::log((*lower)[k][k]);
    }
    return {0.5 * (ln_weights - squares), squares / static_cast<double>(s.count - 2)};
}

double tail_s(double t90_s, bool membrane) {
    return t90_s / t90_over_tail(membrane);
}

// What brings ln T90 to 20 degC; nothing where no temperature was read.
double ln_to_20(double temperature_c) {
    return std::isnan(temperature_c) ? 0.0 : std::log(electrode::t90_at_20(1.0, temperature_c));
}

// The same, whenever it may have ended, and however long it may have been.
Fitted over_hypotheses(Seen const& s, FlushedStep const& shown, ManyBlasts::Blast const& blast) {
    bool const told = blast.step.declared;
    std::span<double const> const lengths = told ? std::span<double const>{lengths_told} : lengths_found;
    auto const of_end = told ? moments : moments_of_found;
    std::array<double, moments_of_found * lengths_found.size()> each{};
    std::size_t count = 0;
    Fitted out;
    for (double const of_usual : lengths) {
        for (std::size_t m = 0; m < of_end; ++m) {
            double const part = (static_cast<double>(m) + 0.5) / static_cast<double>(of_end);
            double const end_s = s.end_from_s + part * (s.end_to_s - s.end_from_s);
            auto const f = fit(s, shown, end_s, of_usual * blast.length_s);
            each[count++] = f.ln_likelihood;
            out.ln_likelihood = std::max(out.ln_likelihood, f.ln_likelihood);
            out.left = std::min(out.left, f.left);
        }
    }
    double sum = 0.0;
    for (std::size_t i = 0; i < count; ++i) {
        sum += std::exp(each[i] - out.ln_likelihood);
    }
    out.ln_likelihood += std::log(sum / static_cast<double>(count));
    return out;
}

}  // namespace

void ManyBlasts::take(Blast const& blast, ProbeKnown const& known) {
    auto const s = seen_of(blast, known);
    bool const shows =
        s.count > 0 && std::abs(s.way) * -std::expm1(-blast.length_s / tail_s(known.t90_guess_s, false)) >
                           least_shown * s.sigma;
    if (!shows) {
        return;
    }
    if (count_ == 0) {
        least_ln_t90_ = static_cast<float>(std::log(least_polls * s.gap_s));
    }
    double const to_20 = ln_to_20(blast.temperature_c);
    Said said{};
    double left = 1e9;
    for (std::size_t kind = 0; kind < kinds; ++kind) {
        for (std::size_t i = 0; i < most_t90s; ++i) {
            double const ln_20 = static_cast<double>(least_ln_t90_) + ln_step * static_cast<double>(i);
            FlushedStep const shown{tail_s(std::exp(ln_20 - to_20), kind == 1), usual_flush_s, kind == 1};
            auto const of = over_hypotheses(s, shown, blast);
            said[kind][i] = of.ln_likelihood;
            left = std::min(left, of.left);
        }
    }
    if (left > most_left) {
        return;  // the water moved
    }
    add(said);
    auto const at_ms = blast.step.end_ms;
    first_ms_ = count_ == 0 ? at_ms : first_ms_;
    last_ms_ = at_ms;
    temperatures_c_ = (count_ == 0 ? 0.0F : temperatures_c_) + static_cast<float>(blast.temperature_c);
    ++count_;
}

void ManyBlasts::add(Said const& said) {
    constexpr double lowest = -300.0;
    std::array<double, kinds> mean{}, best{};
    for (std::size_t kind = 0; kind < kinds; ++kind) {
        best[kind] = *std::max_element(said[kind].begin(), said[kind].end());
        for (double const each : said[kind]) {
            mean[kind] += std::exp(each - best[kind]) / static_cast<double>(most_t90s);
        }
        auto& row = ln_likelihood_[kind];
        std::array<double, most_t90s> sum{};
        for (std::size_t i = 0; i < most_t90s; ++i) {
            double const before = count_ == 0 ? 0.0 : 0.01 * row[i];
            sum[i] = before + std::log((1.0 - mistaken) * std::exp(said[kind][i] - best[kind]) +
                                       mistaken * mean[kind]);
        }
        double const highest = *std::max_element(sum.begin(), sum.end());
        for (std::size_t i = 0; i < most_t90s; ++i) {
            row[i] = static_cast<std::int16_t>(std::lround(100.0 * std::max(sum[i] - highest, lowest)));
        }
    }
    constexpr double most = 2.0;  // of one blast. A guess
    double const of_kind = best[1] + std::log(mean[1]) - best[0] - std::log(mean[0]);
    membrane_evidence_ =
        (count_ == 0 ? 0.0F : membrane_evidence_) + static_cast<float>(std::clamp(of_kind, -most, most));
}

// Where the likelihood is highest, by the parabola through its three highest columns.
ManyBlasts::Peak ManyBlasts::peak(bool membrane) const {
    auto const& row = ln_likelihood_[membrane ? 1 : 0];
    auto const top = static_cast<std::size_t>(std::max_element(row.begin(), row.end()) - row.begin());
    Peak p;
    double const highest = 0.01 * row[top];
    if (top == 0 || top + 1 == row.size()) {
        p.ln_t90 = static_cast<double>(least_ln_t90_) + ln_step * static_cast<double>(top);
        return p;
    }
    double const below = 0.01 * row[top - 1] - highest, above = 0.01 * row[top + 1] - highest;
    double const bend = below + above;
    double const off = bend < 0.0 ? 0.5 * (below - above) / bend : 0.0;
    p.ln_t90 = static_cast<double>(least_ln_t90_) + ln_step * (static_cast<double>(top) + off);
    p.error = bend < 0.0 ? ln_step / std::sqrt(-bend) : 1.0;
    p.inside = true;
    return p;
}

// What both kinds say, by how likely each is, and as the trend takes it apart again: of a slow membrane a fit
// of first order may be far from anything.
std::optional<ManyBlasts::Told> ManyBlasts::told(double membrane_probability) {
    if (count_ < fewest) {
        return std::nullopt;
    }
    double const evidence =
        std::clamp(evidence_share * static_cast<double>(membrane_evidence_), -most_evidence, most_evidence);
    double const as_membrane =
        1.0 / (1.0 + (1.0 - membrane_probability) / membrane_probability * std::exp(-evidence));
    auto const first_order = peak(false), membrane = peak(true);
    auto const& likelier = as_membrane > 0.5 ? membrane : first_order;
    bool const over = last_ms_ - first_ms_ > longest_ms;
    bool const well =
        likelier.inside && likelier.error < (count_ < enough && !over ? good_error : worst_error);
    if (!well && !over) {
        return std::nullopt;
    }
    Told out;
    out.at_ms = (first_ms_ + last_ms_) / 2;
    out.temperature_c = static_cast<double>(temperatures_c_) / count_;
    double const to_20 = ln_to_20(out.temperature_c);
    auto const said = [&](Peak const& of) {
        bool const near = of.inside && std::abs(of.ln_t90 - likelier.ln_t90) < most_apart;
        return near ? of.ln_t90 : likelier.ln_t90;
    };
    auto& fit = out.fit;
    double const ln_t90 = said(first_order) + as_membrane * (said(membrane) - said(first_order)) - to_20;
    fit.ln_t90_first_order = ln_t90 - as_membrane * kinds_apart;
    fit.ln_t90_membrane = fit.ln_t90_first_order + kinds_apart;
    fit.tau_s = tail_s(std::exp(fit.ln_t90_first_order), false);
    fit.membrane_evidence = evidence;
    fit.ln_error = std::hypot(likelier.error, common_error);
    fit.blasts = count_;
    if (!well) {
        fit.set_aside = "many blasts together tell too little at such polls";
    }
    *this = {};
    return out;
}

}  // namespace probekeeper::diagnosis

#include "diagnosis/capture.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <tuple>

#include "estimate/robust.h"

namespace probekeeper::diagnosis {
namespace {

constexpr double nan = std::numeric_limits<double>::quiet_NaN();

// How far a reading must move towards air, as a part of saturation, before an undeclared lift is considered.
constexpr double excursion_part = 0.25;
// Air itself: an undeclared exposure must come at least this near to it.
constexpr double near_air = 0.75;
constexpr double longest_excursion_s = 3600.0;

std::int64_t ms(double s) {
    return static_cast<std::int64_t>(s * 1000.0);
}
double s_between(std::int64_t from_ms, std::int64_t to_ms) {
    return static_cast<double>(to_ms - from_ms) / 1000.0;
}

// Samples need not be kept closer than the response can be told apart, or the ring would be short.
double spacing_s(double t90_guess_s) {
    return std::clamp(t90_guess_s / 25.0, 0.0, 10.0);
}

struct Piece {
    std::array<FitPoint, Samples::capacity()> points{};
    std::size_t count = 0;
    [[nodiscard]] std::span<FitPoint const> span() const { return {points.data(), count}; }
};

Piece cut(Samples const& samples, std::int64_t from_ms, std::int64_t zero_ms, std::int64_t to_ms) {
    Piece piece;
    for (std::size_t i = 0; i < samples.size(); ++i) {
        auto const& s = samples[i];
        if (s.time_ms >= from_ms && s.time_ms <= to_ms) {
            piece.points[piece.count++] = {s_between(zero_ms, s.time_ms), static_cast<double>(s.value)};
        }
    }
    return piece;
}

}  // namespace

double Capture::median_before(std::int64_t time_ms, double span_s) const {
    std::array<double, Samples::capacity()> kept{};
    std::size_t n = 0;
    for (std::size_t i = 0; i < samples_.size(); ++i) {
        auto const& s = samples_.from_back(i);
        if (s.time_ms < time_ms - ms(span_s)) {
            break;
        }
        if (s.time_ms <= time_ms) {
            kept[n++] = static_cast<double>(s.value);
        }
    }
    return n == 0 ? nan : estimate::median_inplace(std::span{kept.data(), n});
}

void Capture::interrupt() {
    fall_.active = false;
    decline_.active = false;
    excursion_.active = false;
    exposed_ = false;
    blast_to_judge_ = false;
    aerated_ = Aerated::unknown;
    samples_.clear();
}

bool Capture::disturbed(std::int64_t time_ms, double t90_guess_s) const {
    auto const rest = ms(std::max(60.0, 3.0 * t90_guess_s));
    return exposed_ || excursion_.active || time_ms < exposed_until_ms_ + rest ||
           time_ms < aeration_edge_ms_ + rest || fall_.active;
}

void Capture::follow_exposure(View const& view, double t90_guess_s) {
    if (view.exposed && !exposed_) {
        exposed_ = true;
        exposed_by_cleaning_ = view.cleaning;
        exposed_from_ms_ = last_ms_ != 0 ? last_ms_ : view.time_ms;
        fall_.active = false;
        decline_.active = false;
        excursion_.active = false;
    } else if (!view.exposed && exposed_) {
        exposed_ = false;
        exposed_until_ms_ = view.time_ms;
        fall_.active = true;
        fall_.declared = true;
        fall_.source = exposed_by_cleaning_ ? TestSource::cleaning : TestSource::air_exposure;
        fall_.begin_ms = exposed_from_ms_;
        fall_.end_ms = (last_ms_ + view.time_ms) / 2;
        fall_.deadline_ms = view.time_ms + ms(std::clamp(5.0 * t90_guess_s, 120.0, 1800.0));
        fall_.saturation = view.saturation;
        fall_.base = median_before(exposed_from_ms_, 180.0);
        blast_to_judge_ = exposed_by_cleaning_;
    }
}

void Capture::follow_aeration(View const& view, double t90_guess_s) {
    if (view.aerated == aerated_) {
        return;
    }
    bool const switched_off = aerated_ == Aerated::on && view.aerated == Aerated::off;
    bool const was_on_long = s_between(aeration_since_ms_, view.time_ms) > 180.0;
    if (aerated_ != Aerated::unknown && view.aerated != Aerated::unknown) {
        aeration_edge_ms_ = view.time_ms;
    }
    bool const quiet = !view.exposed && view.time_ms > exposed_until_ms_ + ms(3.0 * t90_guess_s);
    if (switched_off && was_on_long && quiet) {
        decline_.active = true;
        decline_.at_ms = (last_ms_ + view.time_ms) / 2;
        decline_.deadline_ms = view.time_ms + ms(900.0);
        decline_.level = view.value;
    }
    aerated_ = view.aerated;
    aeration_since_ms_ = view.time_ms;
}

// A lift that no bit declares: the reading leaps towards air faster than water can, and comes back.
void Capture::follow_excursion(View const& view, double t90_guess_s) {
    if (exposed_ || fall_.active) {
        excursion_.active = false;
        return;
    }
    if (!excursion_.active) {
        if (view.value < near_air * view.saturation ||
            view.time_ms < exposed_until_ms_ + ms(5.0 * t90_guess_s)) {
            return;
        }
        auto const back_ms = view.time_ms - std::max(ms(1.5 * t90_guess_s), 2 * (view.time_ms - last_ms_));
        double const before = median_before(back_ms, 60.0);
        if (view.value - before > excursion_part * view.saturation) {
            excursion_ = {true, back_ms, view.time_ms, before, view.value};
        }
        return;
    }
    if (view.value > excursion_.peak) {
        excursion_.peak = view.value;
        excursion_.peak_ms = view.time_ms;
    }
    double const left = (view.value - excursion_.base) / (excursion_.peak - excursion_.base);
    if (left < 0.15) {
        fall_.active = true;
        fall_.declared = false;
        fall_.source = TestSource::air_exposure;
        fall_.begin_ms = excursion_.begin_ms;
        fall_.end_ms = excursion_.peak_ms;
        fall_.deadline_ms = view.time_ms + ms(std::clamp(3.0 * t90_guess_s, 60.0, 1200.0));
        fall_.saturation = view.saturation;
        fall_.base = excursion_.base;
        exposed_until_ms_ = excursion_.peak_ms;
        excursion_.active = false;
    } else if (s_between(excursion_.begin_ms, view.time_ms) > longest_excursion_s) {
        excursion_.active = false;  // it stayed: no lift but a change of level, for others to judge
        exposed_until_ms_ = view.time_ms;
    }
}

BlastSeen Capture::judge_blast() {
    BlastSeen seen;
    double extreme = 0.0;
    for (std::size_t i = 0; i < samples_.size(); ++i) {
        auto const& s = samples_.from_back(i);
        if (s.time_ms <= fall_.begin_ms) {
            break;
        }
        extreme = std::max(extreme, std::abs(static_cast<double>(s.value) - fall_.base));
    }
    // How much of the way to air a blast of this device takes the reading: short ones never reach it.
    double const way = std::abs(fall_.saturation - fall_.base);
    double const least = 0.04 * fall_.saturation;
    double const expected = usual_reach_ * way;
    seen.expected = expected > least;
    seen.shown = extreme > std::max(0.35 * expected, least);
    if (way > least && extreme > least) {
        usual_reach_ += 0.1 * (std::min(extreme / way, 1.2) - usual_reach_);
    }
    return seen;
}

// How long an undeclared step had stood near its height when it ended: its begin is not known.
double Capture::settled_for(Fall const& fall, ResponseFit const& fit) const {
    for (std::size_t i = 0; i < samples_.size(); ++i) {
        auto const& s = samples_[i];
        if (s.time_ms > fall.begin_ms && static_cast<double>(s.value) > fall.base + 0.97 * fit.step) {
            return s_between(s.time_ms, fall.end_ms);
        }
    }
    return 0.0;
}

// The settled reading in air, over saturation. A step too short to settle is prolonged by the response just
// found, which makes it less certain.
std::pair<double, double> Capture::air_level(Fall const& fall, ResponseFit const& fit) const {
    double const onset_s = std::isnan(fit.onset_s) ? fit.tau_s : std::max(0.0, fit.onset_s);
    double const length_s =
        fall.declared ? s_between(fall.begin_ms, fall.end_ms) : settled_for(fall, fit) + onset_s;
    double const reached = 1.0 - std::exp(-std::max(0.0, length_s - onset_s) / fit.tau_s);
    if (reached < 0.93 || std::isnan(fit.held) || fit.held / fit.step < 0.8) {
        return {nan, nan};
    }
    double const percent = 100.0 * (fall.base + fit.held / reached) / fall.saturation;
    double const unsettled = 100.0 * std::abs(fit.held) / fall.saturation * (1.0 - reached);
    return {percent, std::hypot(1.0, unsettled)};
}

std::optional<Candidate> Capture::finish_fall(View const& view, Known const& known) {
    bool const aeration_changed = aeration_edge_ms_ > fall_.end_ms;
    if (!fall_.active || (view.time_ms < fall_.deadline_ms && !aeration_changed)) {
        return std::nullopt;
    }
    fall_.active = false;
    auto const from_ms = fall_.begin_ms - ms(std::max(120.0, 2.0 * known.t90_guess_s));
    auto const to_ms = aeration_changed ? aeration_edge_ms_ - 1 : view.time_ms;
    auto const piece = cut(samples_, from_ms, fall_.end_ms, to_ms);
    Candidate candidate;
    candidate.time = from_unix_ms(fall_.end_ms);
    candidate.source = fall_.source;
    candidate.fit = fit_fall(piece.span(), s_between(fall_.end_ms, fall_.begin_ms), known.noise);
    candidate.temperature_c = view.temperature_c;
    std::tie(candidate.air_percent, candidate.air_error) =
        candidate.fit.set_aside.empty() ? air_level(fall_, candidate.fit) : std::pair{nan, nan};
    return candidate;
}

std::optional<Candidate> Capture::finish_decline(View const& view, Known const& known) {
    bool const done = view.time_ms >= decline_.deadline_ms || view.value < 0.35 * decline_.level;
    bool const on_again = aerated_ != Aerated::off;
    if (!decline_.active || !(done || on_again)) {
        return std::nullopt;
    }
    decline_.active = false;
    auto const to_ms = on_again ? aeration_edge_ms_ - 1 : view.time_ms;
    auto const piece = cut(samples_, decline_.at_ms - ms(120.0), decline_.at_ms, to_ms);
    Candidate candidate;
    candidate.time = from_unix_ms(decline_.at_ms);
    candidate.source = TestSource::aeration_off;
    candidate.fit = fit_decline(piece.span(), known.delay_s, std::max(known.delay_error_s, 7.0), known.noise);
    candidate.temperature_c = view.temperature_c;
    candidate.air_percent = candidate.air_error = nan;
    return candidate;
}

Capture::Outcome Capture::take(View const& view, Known const& known) {
    follow_exposure(view, known.t90_guess_s);
    follow_aeration(view, known.t90_guess_s);
    follow_excursion(view, known.t90_guess_s);
    if (samples_.empty() || view.time_ms - samples_.back().time_ms >= ms(spacing_s(known.t90_guess_s))) {
        samples_.push({view.time_ms, static_cast<float>(view.value), static_cast<float>(view.temperature_c)});
    }
    Outcome outcome;
    if (blast_to_judge_ && view.time_ms > fall_.end_ms + ms(60.0)) {
        outcome.blast = judge_blast();
        blast_to_judge_ = false;
    }
    outcome.test = finish_fall(view, known);
    if (!outcome.test) {
        outcome.test = finish_decline(view, known);
    }
    last_ms_ = view.time_ms;
    return outcome;
}

}  // namespace probekeeper::diagnosis

#include "diagnosis/capture.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "diagnosis/piece.h"
#include "diagnosis/pulse.h"
#include "diagnosis/whole_blast.h"
#include "electrode/first_order.h"

namespace probekeeper::diagnosis {
namespace {

// What a probe showed while somebody worked on it is no part of its fall back to the water, but for so much.
constexpr double air_before_fall_s = 60.0;
// Where readings come seldom, so many of them are waited for all the same, and used from before.
constexpr std::int64_t readings_after = 7, readings_before = 4;
// A blast is missed where it would have been found by so much. A guess.
constexpr double surely_found = 1.5;
// An edge of the air that no bit declares is looked for where none has been declared for so long: a bit that
// is missing or wrong for a day or two changes nothing.
constexpr double bit_silent_s = 3.0 * 86'400.0;

// Blasts that hold fewer readings than that, of a response that is over within so many polls, are read too
// seldom for a fit of each; and polls further apart than so many flushes, which such a fit would have to
// tell from the response. Guesses.
constexpr double plainly_slower = 1.5, polls_in_blast = 2.5, polls_in_t90 = 5.0, flushes_in_poll = 4.0;

// Where no bit tells the ends of blasts, they move with the kind of response: what they say of it counts for
// so much. A guess.
constexpr double ends_found_share = 0.5;

double poll_after_s(std::span<FitPoint const> points) {
    auto const after =
        std::find_if(points.begin(), points.end(), [](FitPoint const& p) { return p.t_s > 0.0; });
    return after == points.begin() || after == points.end() ? 0.0 : after->t_s - (after - 1)->t_s;
}

// Samples need not be kept closer than the response can be told apart, or the ring would be short.
double spacing_s(double t90_guess_s) {
    return std::clamp(t90_guess_s / 25.0, 0.0, 10.0);
}

}  // namespace

void Capture::interrupt() {
    fall_.active = false;
    edges_.interrupt();
    excursion_.drop();
    floor_.drop();
    floor_fall_.drop();
    timer_.interrupt();
    exposed_ = false;
    blast_to_judge_ = false;
    samples_.clear();
}

bool Capture::disturbed(std::int64_t time_ms, double t90_guess_s) const {
    auto const rest = as_ms(std::max(60.0, 3.0 * t90_guess_s));
    return exposed_ || excursion_.active() || time_ms < exposed_until_ms_ + rest ||
           time_ms < edges_.edge_ms() + rest || fall_.active;
}

std::int64_t Capture::in_water_since_ms(std::int64_t time_ms, double t90_guess_s) const {
    auto const until_ms = exposed_ || excursion_.active() ? time_ms : exposed_until_ms_;
    return until_ms + as_ms(std::max(60.0, 5.0 * t90_guess_s));
}

void Capture::follow_exposure(View const& view, double t90_guess_s) {
    if (view.exposed && !exposed_) {
        exposed_ = true;
        exposed_by_cleaning_ = view.cleaning;
        exposed_from_ms_ = last_ms_ != 0 ? last_ms_ : view.time_ms;
        exposed_first_ms_ = view.time_ms;
        fall_.active = false;
        edges_.drop();
        excursion_.drop();
    } else if (!view.exposed && exposed_) {
        exposed_ = false;
        exposed_until_ms_ = view.time_ms;
        fall_.active = true;
        fall_.declared = true;
        fall_.by_hand = false;
        fall_.source = exposed_by_cleaning_ ? TestSource::cleaning : TestSource::air_exposure;
        fall_.begin_ms = exposed_from_ms_;
        fall_.first_ms = exposed_first_ms_;
        fall_.end_ms = (last_ms_ + view.time_ms) / 2;
        fall_.deadline_ms = view.time_ms + std::max(as_ms(std::clamp(5.0 * t90_guess_s, 120.0, 1800.0)),
                                                    readings_after * (view.time_ms - last_ms_));
        fall_.saturation = view.saturation;
        fall_.base = median_before(samples_, exposed_from_ms_, 180.0);
        blast_to_judge_ = exposed_by_cleaning_;
        timer_ = exposed_by_cleaning_ ? BlastTimer{} : timer_;  // a bit tells more
    }
}

void Capture::follow_floor(View const& view, Known const& known) {
    auto const edge_ms = edges_.edge_ms();
    bool const told = edge_ms != 0 && view.time_ms - edge_ms < as_ms(bit_silent_s);
    bool const in_air = exposed_ || fall_.active || excursion_.active();
    if (!known.find_edges || told || in_air) {
        floor_.drop();
        floor_fall_.drop();
        return;
    }
    floor_.take(view, known, last_ms_);
    floor_fall_.take(view, last_ms_);
}

// Of an exposure that began before this, since the one before it was hardly over, the first readings went
// unseen, and how high they were is not known.
std::int64_t Capture::view_begins_at_ms(double t90_guess_s) const {
    constexpr double blast_s = 60.0;
    return exposed_until_ms_ == 0 ? 0 : exposed_until_ms_ + as_ms(3.5 * t90_guess_s + blast_s);
}

// The blast, where one that no bit declares is just over.
std::optional<BlastSeen> Capture::follow_excursion(View const& view, Known const& known) {
    using Turn = ExcursionWatch::Turn;
    auto const turn = excursion_.take(
        view, known, samples_, {last_ms_, exposed_until_ms_, edges_.edge_ms(), exposed_ || fall_.active});
    if (turn == Turn::stayed) {
        exposed_until_ms_ = view.time_ms;
    }
    if (turn != Turn::back) {
        return std::nullopt;
    }
    fall_.active = true;
    fall_.declared = fall_.by_hand = false;
    fall_.source = TestSource::air_exposure;
    fall_.begin_ms = excursion_.begin_ms();
    fall_.end_ms = excursion_.peak_ms();
    fall_.deadline_ms = view.time_ms + as_ms(std::clamp(3.0 * known.t90_guess_s, 60.0, 1200.0));
    fall_.saturation = view.saturation;
    fall_.base = excursion_.base();
    bool const begun_unseen = view_begins_at_ms(known.t90_guess_s) > excursion_.begin_ms();
    exposed_until_ms_ = excursion_.peak_ms();
    timer_.found(excursion_.peak_ms());
    if (begun_unseen) {
        return BlastSeen{};
    }
    return reach_.take(
        {excursion_.base(), excursion_.peak() - excursion_.base(), view.saturation, air_.usual_length_s()},
        known);
}

void Capture::put_back(std::int64_t back_ms, View const& now, double t90_guess_s) {
    excursion_.drop();
    edges_.drop();
    fall_ = {};
    fall_.active = fall_.by_hand = true;
    fall_.source = TestSource::air_exposure;
    fall_.begin_ms = back_ms - as_ms(air_before_fall_s);
    fall_.end_ms = back_ms;
    fall_.deadline_ms = std::max(now.time_ms, back_ms + as_ms(std::clamp(5.0 * t90_guess_s, 120.0, 1800.0)));
    fall_.saturation = now.saturation;
    fall_.base = std::numeric_limits<double>::quiet_NaN();
    exposed_until_ms_ = back_ms;
}

// One that a bit declared, once a slow probe has had a minute to show it, and a very slow one longer: behind
// a membrane that takes minutes a blast is highest when it has long ended.
std::optional<BlastSeen> Capture::told_blast(View const& view, Known const& known) {
    constexpr double highest_after = 0.3;  // of T90: of diffusion, a short blast's height over time
    double const shown_s = std::max(60.0, highest_after * known.t90_guess_s);
    if (!blast_to_judge_ || view.time_ms <= fall_.end_ms + as_ms(shown_s)) {
        return std::nullopt;
    }
    blast_to_judge_ = false;
    double height = 0.0, back_s = 0.0;
    for (std::size_t i = 0; i < samples_.size(); ++i) {
        auto const& s = samples_.from_back(i);
        if (s.time_ms <= fall_.begin_ms) {
            break;
        }
        double const off = static_cast<double>(s.value) - fall_.base;
        height = std::abs(off) > std::abs(height) ? off : height;
        back_s = s.time_ms > fall_.end_ms ? s_between(fall_.end_ms, s.time_ms) : back_s;
    }
    double const length_s = s_between(fall_.begin_ms, fall_.end_ms);
    // Of an output that freezes meanwhile the tail alone shows the blast, from the first reading on: it comes
    // as the blast ends, or a poll later.
    double const unread_s = known.may_freeze ? 2.0 * back_s : 0.0;
    return reach_.take({fall_.base, height, fall_.saturation, length_s, unread_s}, known);
}

// A blast that the timer lets expect, and that no reading shows: missed, where it would have been found.
std::optional<BlastSeen> Capture::overdue_blast(View const& view, Known const& known) {
    if (!timer_.overdue(view.time_ms, known.t90_guess_s) || excursion_.active() || fall_.active) {
        return std::nullopt;
    }
    timer_.pass();
    double const length_s = air_.usual_length_s();
    auto seen = reach_.take({view.value, 0.0, view.saturation, length_s}, known);
    auto const slack_ms = timer_.slack_ms(known.t90_guess_s);
    // Something leapt, and did not return: the air came on, and a blast with it, perhaps. It may have stayed
    // for long before it was given up.
    bool const stirred = std::max(excursion_.begin_ms(), exposed_until_ms_) > view.time_ms - 2 * slack_ms;
    double const way = view.saturation - view.value;
    double const shows = reach_.usual_part(length_s, known.t90_guess_s) * way;
    seen.expected = seen.expected && !stirred && way > 0.0 &&
                    shows > surely_found * ExcursionWatch::found_from(view, known.noise);
    return seen;
}

std::optional<Candidate> Capture::finish_fall(View const& view, Known const& known) {
    bool const aeration_changed = edges_.edge_ms() > fall_.end_ms;
    if (!fall_.active || (view.time_ms < fall_.deadline_ms && !aeration_changed)) {
        return std::nullopt;
    }
    fall_.active = false;
    auto const before_ms = std::max(as_ms(std::max(120.0, 2.0 * known.t90_guess_s)),
                                    readings_before * (view.time_ms - last_ms_));
    auto const from_ms = fall_.by_hand ? fall_.begin_ms + 1 : fall_.begin_ms - before_ms;
    auto const to_ms = aeration_changed ? edges_.edge_ms() - 1 : view.time_ms;
    auto const piece = cut(samples_, from_ms, fall_.end_ms, to_ms);
    Candidate candidate;
    candidate.time = from_unix_ms(fall_.end_ms);
    candidate.source = fall_.source;
    candidate.by_hand = fall_.by_hand;
    candidate.fit = fit_fall(piece.span(), s_between(fall_.end_ms, fall_.begin_ms), known.noise);
    // What an edge of the air has cut short may not have been over.
    candidate.fit.quicker_than_readings = candidate.fit.quicker_than_readings && !aeration_changed;
    candidate.lifted = fall_.by_hand || (fall_.declared && fall_.source == TestSource::air_exposure);
    fit_whole(piece.span(), fall_, known, candidate.fit);
    if (candidate.lifted) {
        own_up_to_flush(candidate.fit);
    }
    candidate.temperature_c = view.temperature_c;
    if (!fall_.declared && !fall_.by_hand && candidate.fit.set_aside.empty() &&
        slow_falls_.by_water(candidate.fit, known.t90_guess_s)) {
        candidate.fit.set_aside = "slower than the probe: the water itself fell";
    }
    candidate.air = air_.take(fall_, candidate.fit, samples_, known, reach_.fell_short());
    own_up_to_moving_water(candidate.fit, known.noise);
    // What moves the reading at the blasts of a cleaner that has failed is the water: slower than the probe,
    // it would pass for a probe that slows.
    if (known.cleaner_failed && !candidate.lifted) {
        many_.begin_anew();
        if (candidate.fit.set_aside.empty()) {
            candidate.fit.set_aside = "the cleaner has failed";
        }
    } else if (candidate.fit.set_aside.empty() && reached_in_part(fall_, candidate.fit, known)) {
        candidate.fit.set_aside = "the blast reached a part of the membrane only";
    } else if (!aeration_changed) {
        join_others(piece.span(), known, candidate);
    }
    return candidate;
}

// Blasts that are read seldom tell it together, and none by itself, or it would be heard twice.
void Capture::join_others(std::span<FitPoint const> points, Known const& known, Candidate& candidate) {
    auto& fit = candidate.fit;
    bool const blast = fall_.told_blast() || (!fall_.declared && !fall_.by_hand);
    double const length_s = air_.usual_length_s(), poll_s = poll_after_s(points);
    double const slow_s = polls_in_t90 * poll_s;
    // One that has slowed unseen may tell it alone. Only where that is plain: of those that are about as
    // slow, the ones that say more would speak, and the others not.
    double const alone_s = fit.set_aside.empty() ? fit.tau_s * electrode::first_order_t90_over_tau : 0.0;
    bool const slowed = alone_s > std::max(slow_s, plainly_slower * known.t90_guess_s);
    bool const seldom = poll_s > flushes_in_poll * usual_flush_s && length_s < polls_in_blast * poll_s;
    if (!blast || !seldom || slowed || known.t90_guess_s > slow_s) {
        return;
    }
    many_.take({points, fall_, length_s, candidate.temperature_c}, known);
    if (auto told = many_.told(known.membrane_probability)) {
        told->fit.ends_found = !fall_.declared;
        told->fit.membrane_evidence *= fall_.declared ? 1.0 : ends_found_share;
        told->fit.quicker_than_readings = fit.quicker_than_readings;
        fit = told->fit;
        candidate.temperature_c = told->temperature_c;
        candidate.tested_ms = told->at_ms;
    } else if (fit.set_aside.empty()) {
        fit.set_aside = "read so seldom that it tells only together with others";
    }
}

Capture::Outcome Capture::take(View const& view, Known const& known) {
    follow_exposure(view, known.t90_guess_s);
    edges_.take(view, known.t90_guess_s, last_ms_, exposed_until_ms_);
    auto const found = follow_excursion(view, known);
    follow_floor(view, known);
    if (samples_.empty() || view.time_ms - samples_.back().time_ms >= as_ms(spacing_s(known.t90_guess_s))) {
        samples_.push({view.time_ms, static_cast<float>(view.value), static_cast<float>(view.temperature_c)});
    }
    Outcome outcome;
    outcome.blast = told_blast(view, known);
    if (found) {
        outcome.blast = found;
    } else if (!outcome.blast) {
        outcome.blast = overdue_blast(view, known);
    }
    outcome.test = finish_fall(view, known);
    if (!outcome.test) {
        outcome.test = edges_.finish(view, known, samples_);
    }
    if (!outcome.test) {
        outcome.test = floor_.finish(view, samples_);
    }
    if (!outcome.test) {
        outcome.test = floor_fall_.finish(view, known, samples_);
    }
    last_ms_ = view.time_ms;
    return outcome;
}

}  // namespace probekeeper::diagnosis

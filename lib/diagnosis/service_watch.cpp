#include "diagnosis/service_watch.h"

#include <algorithm>
#include <cmath>

namespace probekeeper::diagnosis {
namespace {

constexpr std::int64_t minute_ms = 60'000;
constexpr std::int64_t hour_ms = 60 * minute_ms;
constexpr std::int64_t visit_ms = 3 * hour_ms;
// A hold bit that stays longer is forgotten or broken, and must not hide the probe for ever.
constexpr std::int64_t longest_hold_ms = 8 * hour_ms;
constexpr std::int64_t longest_lift_ms = 2 * hour_ms;
constexpr std::int64_t shortest_lift_ms = 3 * minute_ms;  // longer than any blast
// Between membrane and air: a dry zero, a rinse. Longer out of the air is back in the water.
constexpr std::int64_t away_from_air_ms = 5 * minute_ms;
constexpr std::int64_t shortest_settling_ms = 10 * minute_ms;
constexpr std::int64_t shortest_settling_at_zero_ms = 30 * minute_ms;  // where nothing can be seen of it
constexpr std::int64_t longest_settling_ms = 6 * hour_ms;
constexpr std::int64_t awaiting_ms = 7 * 24 * hour_ms;
constexpr std::int64_t longest_gap_ms = 10 * minute_ms;
// At rest so shortly before it left the air, a membrane has settled. Longer than two windows of rest.
constexpr std::int64_t rest_before_return_ms = 12 * minute_ms;
constexpr std::int64_t one_day_ms = 24 * hour_ms;
// Visits of a day in which a probe was lifted and nobody waited for it to come to rest.
constexpr std::uint32_t most_restless_lifts = 2;

// Parts of saturation.
constexpr double jump_to_air = 0.25, least_in_air = 0.85, out_of_air = 0.8;
constexpr double overshoot = 1.5, overshoot_gone = 1.4, about_zero = 0.05;
constexpr double rest = 0.01;         // of movement over a window
constexpr double still_step = 0.005;  // from one reading to the next, at rest in air. A guess
constexpr double calibrated_within = 1.0, uncalibrated_beyond = 1.5;  // percent in air

}  // namespace

std::optional<ServiceWatch::Rise> ServiceWatch::Windows::take(std::int64_t time_ms, double ratio,
                                                              double span_s, double noise) {
    if (begin_ms_ != 0 && time_ms - last_ms_ > longest_gap_ms) {
        restart();
    }
    begin_ms_ = begin_ms_ == 0 ? time_ms : begin_ms_;
    auto const poll_ms = last_ms_ == 0 ? 0 : time_ms - last_ms_;
    last_ms_ = time_ms;
    auto const span_ms = std::max(static_cast<std::int64_t>(span_s * 1000.0), 8 * poll_ms);
    if (time_ms - begin_ms_ < span_ms) {
        steps_ += firsts_ + seconds_ > 0 ? std::abs(ratio - newest_) : 0.0;
        newest_ = ratio;
        bool const early = time_ms - begin_ms_ < span_ms / 2;
        (early ? first_ : second_) += ratio;
        ++(early ? firsts_ : seconds_);
        return std::nullopt;
    }
    std::optional<Rise> rise;
    if (firsts_ >= 2 && seconds_ >= 2) {
        double const n = firsts_, m = seconds_;
        rise = Rise{2.0 * (second_ / m - first_ / n), (first_ + second_) / (n + m),
                    2.0 * noise * std::sqrt(1.0 / n + 1.0 / m), steps_ / (n + m - 1.0)};
    }
    restart();
    begin_ms_ = last_ms_ = time_ms;
    return rise;
}

// No more movement than the noise of the reading, or than this water usually shows.
bool ServiceWatch::at_rest(Rise const& rise) const {
    return std::abs(rise.over) <=
           std::max({rest, 3.0 * rise.error, phase_ == Phase::settling ? 2.5 * usual_ : 0.0});
}

void ServiceWatch::take_in_hand(std::int64_t time_ms, bool by_hold) {
    phase_ = Phase::in_hand;
    begin_ms_ = time_ms;
    by_hold_ = by_hold;
    candidate_ms_ = left_air_ms_ = overshoot_ms_ = zero_ms_ = rest_ms_ = 0;
    rest_percent_ = highest_ = 0.0;
    above_ = 0;
    air_seen_ = false;
    windows_.restart();
}

void ServiceWatch::settle(std::int64_t time_ms) {
    phase_ = Phase::settling;
    begin_ms_ = time_ms;
    rests_ = all_rests_ = all_windows_ = 0;
    restless_ = false;
    windows_.restart();
}

bool ServiceWatch::changed_within_visit(std::int64_t time_ms) const {
    return membrane_ms_ != 0 && std::abs(time_ms - membrane_ms_) <= visit_ms;
}

void ServiceWatch::watch_water(View const& view, double ratio, bool hold, double t90_s,
                               std::optional<Rise> const& rise) {
    if (hold) {
        take_in_hand(view.time_ms, true);
        return;
    }
    bool const in_air =
        base_ >= 0.0 && !view.cleaning && ratio >= least_in_air && ratio - base_ > jump_to_air;
    if (!in_air) {
        candidate_ms_ = 0;
        double const minutes =
            static_cast<double>(std::min(view.time_ms - last_ms_, longest_gap_ms)) / minute_ms;
        base_ = base_ < 0.0 || view.cleaning ? (view.cleaning ? base_ : ratio)
                                             : base_ + (ratio - base_) * std::min(1.0, minutes / 10.0);
        if (rise && !view.exposed) {
            usuals_ = std::min(usuals_ + 1, 100U);
            usual_ += (std::abs(rise->over) - usual_) / (usuals_ + 1.0);
        }
        return;
    }
    candidate_ms_ = candidate_ms_ == 0 ? view.time_ms : candidate_ms_;
    auto const needed = std::max(shortest_lift_ms, static_cast<std::int64_t>(3000.0 * t90_s));
    // Above saturation and falling is a new membrane; believed at once it may be a burst one.
    if (view.time_ms - candidate_ms_ < needed) {
        return;
    }
    if (!rises_by_itself(candidate_ms_)) {
        take_in_hand(candidate_ms_, false);
        return;
    }
    restless_ms_ = view.time_ms;
    candidate_ms_ = 0;
    base_ = ratio;
}

// In air a probe comes to rest. What has been up there again and again, and never did, is the water, or a
// membrane with a hole, and no person.
bool ServiceWatch::rises_by_itself(std::int64_t time_ms) const {
    return restless_lifts_ >= most_restless_lifts && time_ms - restless_ms_ < one_day_ms;
}

void ServiceWatch::note_restless(std::int64_t time_ms) {
    restless_lifts_ = time_ms - restless_ms_ < one_day_ms ? restless_lifts_ + 1 : 1;
    restless_ms_ = time_ms;
}

// The dry zero that has ended with this reading, in mg/L. Only what lies between air and air is one: without
// a bit nobody can tell a dry cell from water without oxygen.
std::optional<double> ServiceWatch::follow_zero(View const& view, double ratio) {
    std::optional<double> zero;
    if (std::abs(ratio) < about_zero) {
        zero_ms_ = zero_ms_ == 0 && air_seen_ ? view.time_ms : zero_ms_;
        if (zero_ms_ != 0 && view.time_ms - zero_ms_ >= minute_ms) {
            zero_sum_ += view.value;
            ++zeros_;
        }
    } else if (ratio > 0.5) {
        zero = zeros_ >= 2 ? std::optional{zero_sum_ / zeros_} : std::nullopt;
        air_seen_ = true;
        zero_ms_ = 0;
        zeros_ = 0;
        zero_sum_ = 0.0;
    }
    return zero;
}

// At rest away from 100 % and then at it: somebody has set it. At it from the first: nobody needs to.
void ServiceWatch::note_rest(Rise const& rise) {
    double const percent = 100.0 * rise.mean;
    if (percent < 50.0 || percent > 160.0) {
        return;
    }
    bool const right = std::abs(percent - 100.0) <= calibrated_within;
    bool const was_off = rest_percent_ != 0.0 && std::abs(rest_percent_ - 100.0) > uncalibrated_beyond;
    if (right && (was_off || overshoot_ms_ != 0)) {
        calibrated_ms_ = last_ms_;
    }
    rest_percent_ = percent;
    rest_ms_ = rise.mean >= least_in_air ? last_ms_ : rest_ms_;
}

ServiceWatch::Seen ServiceWatch::put_back(std::int64_t time_ms, double ratio) {
    if (!by_hold_ && rest_ms_ == 0) {
        note_restless(time_ms);
    }
    Seen seen;
    // A burst membrane leaps too; without a bit only one that came to rest in air and went back is new.
    bool const shown = by_hold_ || (rest_percent_ != 0.0 && left_air_ms_ != 0);
    bool const new_membrane = overshoot_ms_ != 0 && ratio < overshoot_gone && shown;
    if (new_membrane && !changed_within_visit(overshoot_ms_)) {
        membrane_ms_ = overshoot_ms_;
        swapped_ = false;
        seen.membrane_ms = overshoot_ms_;
    }
    base_ = -1.0;
    if (changed_within_visit(time_ms)) {
        back_at_rest_ = rest_ms_ != 0 && time_ms - rest_ms_ < rest_before_return_ms;
        auto const back_ms = by_hold_ ? (last_ms_ + time_ms) / 2 : time_ms;
        seen.back_ms = back_at_rest_ ? std::optional{back_ms} : std::nullopt;
        settle(time_ms);
    } else {
        phase_ = Phase::in_service;
        begin_ms_ = time_ms;
        windows_.restart();
    }
    return seen;
}

ServiceWatch::Seen ServiceWatch::watch_hand(View const& view, double ratio, bool hold,
                                            std::optional<Rise> const& rise) {
    above_ = ratio > overshoot ? above_ + 1 : 0;
    overshoot_ms_ = overshoot_ms_ == 0 && above_ >= 2 ? view.time_ms : overshoot_ms_;
    by_hold_ = by_hold_ || hold;
    Seen seen;
    seen.dry_zero_mg_l = follow_zero(view, ratio);
    // In air nothing moves a membrane that is whole. A burst one, which reads as if it were there, may stand
    // still for a moment between two means, and never from one reading to the next.
    if (rise && at_rest(*rise) && rise->step <= still_step) {
        note_rest(*rise);
    }
    auto const longest = by_hold_ ? longest_hold_ms : longest_lift_ms;
    if (view.time_ms - begin_ms_ > longest) {
        hold_ignored_ = hold;
        return put_back(view.time_ms, ratio);
    }
    if (by_hold_) {
        return hold ? seen : put_back(view.time_ms, ratio);
    }
    left_air_ms_ = ratio > out_of_air ? 0 : left_air_ms_ == 0 ? view.time_ms : left_air_ms_;
    bool const back = left_air_ms_ != 0 && view.time_ms - left_air_ms_ > away_from_air_ms;
    return back ? put_back(left_air_ms_, ratio) : seen;
}

void ServiceWatch::watch_settling(View const& view, double ratio, bool hold,
                                  std::optional<Rise> const& rise) {
    if (hold) {
        take_in_hand(view.time_ms, true);
        return;
    }
    highest_ = std::max(highest_, ratio);
    if (rise) {
        bool const resting = at_rest(*rise);
        rests_ = resting && rise->mean < overshoot_gone ? rests_ + 1 : 0;
        // Water in the sun holds as much as an overshoot shows, and is no bad membrane.
        all_rests_ += resting ? 1U : 0U;
        ++all_windows_;
    }
    bool const nothing_to_see = rise && std::abs(rise->mean) < about_zero;
    auto const shortest = nothing_to_see ? shortest_settling_at_zero_ms : shortest_settling_ms;
    auto const waited = view.time_ms - begin_ms_;
    bool const settled = rests_ >= 2 && waited >= shortest;
    if (settled || waited > longest_settling_ms) {
        // Water that moves leaves moments of rest, a bad membrane hardly any. A guess.
        restless_ = !settled && 4 * all_rests_ < all_windows_;
        phase_ = Phase::in_service;
        begin_ms_ = view.time_ms;
        base_ = -1.0;
    }
}

ServiceWatch::Seen ServiceWatch::take(View const& view, bool hold, Known const& known) {
    hold_ignored_ = hold_ignored_ && hold;
    hold = hold && !hold_ignored_;
    if (begin_ms_ == 0) {
        begin_ms_ = view.time_ms;
        // A membrane that was put on long before the first reading came to rest unseen: what moves now is the
        // water.
        bool const rested = view.time_ms - membrane_ms_ > longest_settling_ms;
        phase_ = phase_ == Phase::settling && rested ? Phase::in_service : phase_;
    }
    double const ratio = view.value / view.saturation;
    last_ms_ = last_ms_ == 0 ? view.time_ms : last_ms_;
    // In air there is nothing to wait for but the probe; a membrane that settles moves ever more slowly.
    double const span_s = phase_ == Phase::in_hand    ? std::clamp(1.5 * known.t90_s, 60.0, 300.0)
                          : phase_ == Phase::settling ? std::clamp(5.0 * known.t90_s, 300.0, 900.0)
                                                      : std::clamp(3.0 * known.t90_s, 120.0, 600.0);
    blasted_ms_ = view.cleaning ? view.time_ms : blasted_ms_;
    bool const blasted = static_cast<double>(view.time_ms - blasted_ms_) < 2000.0 * known.t90_s;
    std::optional<Rise> rise;
    if (blasted) {
        windows_.restart();
    } else {
        rise = windows_.take(view.time_ms, ratio, span_s, known.noise / view.saturation);
    }
    Seen seen;
    switch (phase_) {
        case Phase::in_service:
            watch_water(view, ratio, hold, known.t90_s, rise);
            break;
        case Phase::in_hand:
            seen = watch_hand(view, ratio, hold, rise);
            break;
        case Phase::settling:
            watch_settling(view, ratio, hold, rise);
            break;
    }
    last_ms_ = view.time_ms;
    return seen;
}

void ServiceWatch::handled(Handling const& handling) {
    auto const at_ms = to_unix_ms(handling.time);
    switch (handling.act) {
        case Act::membrane_change:
        case Act::probe_swap: {
            bool const known = changed_within_visit(at_ms);
            membrane_ms_ = at_ms;
            swapped_ = handling.act == Act::probe_swap;
            if (phase_ == Phase::in_service && !known) {
                back_at_rest_ = false;  // nobody saw it
                settle(0);              // from the first reading on, which take() fills in
            }
            break;
        }
        case Act::air_calibration:
            calibrated_ms_ = std::max(calibrated_ms_, at_ms);
            break;
        case Act::membrane_wipe:
        case Act::electrode_clean:
        case Act::reference_check:
        case Act::moved:
        case Act::settings_change:
        case Act::inspection:
            break;
    }
}

ServiceState ServiceWatch::state(std::int64_t now_ms) const {
    switch (phase_) {
        case Phase::in_hand:
            return ServiceState::in_hand;
        case Phase::settling:
            return ServiceState::settling;
        case Phase::in_service:
            break;
    }
    bool const awaiting = membrane_ms_ != 0 && !swapped_ && calibrated_ms_ < membrane_ms_ - visit_ms &&
                          now_ms - membrane_ms_ < awaiting_ms;
    return awaiting ? ServiceState::awaiting_calibration : ServiceState::in_service;
}

std::optional<double> ServiceWatch::rest_in_air() const {
    return rest_percent_ != 0.0 ? std::optional{rest_percent_} : std::nullopt;
}

}  // namespace probekeeper::diagnosis

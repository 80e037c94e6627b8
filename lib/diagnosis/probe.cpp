#include "diagnosis/probe.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "diagnosis/assumed.h"
#include "diagnosis/cases.h"
#include "electrode/temperature.h"

namespace probekeeper::diagnosis {
namespace {

constexpr double nan = std::numeric_limits<double>::quiet_NaN();
// Saturation of fresh water at 20 degC and 1 atm (Benson and Krause 1984): the stand-in where a device gives
// only percent and no temperature, so that fits work in a familiar size. No mg/L are reported then.
constexpr double nominal_saturation_mg_l = 9.09243;
constexpr double unknown_t90_s = 60.0;

void break_off(ProbeState& state) {
    state.capture.interrupt();
    state.background.interrupt();
    state.fluctuation.interrupt();
    state.liveness.interrupt();
    state.habits.interrupt();
}

// A longer gap than this breaks what was being watched.
std::int64_t longest_gap_ms(ProbeSetup const& setup) {
    return static_cast<std::int64_t>(std::max(90.0, 4.5 * setup.poll_s) * 1000.0);
}

// A broken thermometer leaves the last believable temperature: water changes by a few degrees in a week, and
// every other assumption is further off. One that never read any borrows it.
double temperature_to_use(ProbeState& state, Reading const& reading) {
    if (plausible_temperature(reading.temperature_c)) {
        state.plausible_temperature_c = reading.temperature_c;
        state.temperature_seen = true;
    }
    bool const broken = is_read(reading.temperature_c) && state.temperature_seen;
    if (plausible_temperature(reading.temperature_c) || broken) {
        return state.plausible_temperature_c;
    }
    return state.temperature_seen ? nan : state.lent_temperature_c;
}

// A reading marked out of range is of use where only its temperature is to blame.
bool usable(Reading const& reading) {
    bool const any = is_read(reading.do_mg_l) || is_read(reading.do_percent);
    if (!any || reading.has(mark_fault)) {
        return false;
    }
    bool const broken_thermometer =
        is_read(reading.temperature_c) && !plausible_temperature(reading.temperature_c);
    // Outside these no instrument for water reads; NaN passes.
    bool const impossible = reading.do_mg_l < -8.0 || reading.do_mg_l > 60.0 || reading.do_percent < -100.0 ||
                            reading.do_percent > 400.0;
    return !reading.has(mark_out_of_range) || (broken_thermometer && !impossible);
}

Aerated aeration_of(ProbeState& state, Reading const& reading) {
    if (reading.knows(mark_aeration)) {
        return reading.has(mark_aeration) ? Aerated::on : Aerated::off;
    }
    if (!is_read(reading.airflow)) {
        return Aerated::unknown;
    }
    state.highest_airflow = std::max(state.highest_airflow, reading.airflow);
    if (reading.airflow < 0.05 * state.highest_airflow) {
        return Aerated::off;
    }
    return reading.airflow > 0.2 * state.highest_airflow ? Aerated::on : state.capture.aerated();
}

View view_of(ProbeState& state, Reading const& reading) {
    View view;
    view.time_ms = to_unix_ms(reading.time);
    view.temperature_c = temperature_to_use(state, reading);
    bool const converted = is_read(reading.do_mg_l);
    state.in_mg_l = converted || state.temperature_seen;
    if (converted) {
        view.value = reading.do_mg_l;
        bool const both = is_read(reading.do_percent) && std::abs(reading.do_percent) > 1.0;
        view.saturation = both ? 100.0 * reading.do_mg_l / reading.do_percent : state.last_saturation;
    } else {
        // Percent alone: with a thermometer that has just broken, of the water as last known.
        view.saturation = state.temperature_seen ? state.last_saturation : nominal_saturation_mg_l;
        view.value = reading.do_percent * view.saturation / 100.0;
    }
    view.given = {reading.do_mg_l, reading.do_percent, reading.po2_hpa};
    view.cleaning = reading.has(mark_cleaning);
    view.exposed = view.cleaning || reading.has(mark_hold);
    view.aerated = aeration_of(state, reading);
    view.airflow = reading.airflow;
    return view;
}

// Edges that no bit declares are looked for where nothing else has tested the probe for so long: the others
// tell it better, and need no company.
bool nothing_tests(ProbeState const& state, std::int64_t now_ms) {
    constexpr std::int64_t long_ms = 3 * 86'400'000LL;
    auto const since_ms = std::max(state.first_ms, state.trend.newest_declared_ms());
    return since_ms != 0 && now_ms - since_ms > long_ms;
}

// Misses count for the usual share once a blast shows again: until then they may be a cleaner that has
// failed, and how usual misses are is what that is judged by.
//
// Nozzles clog and air fails over a day or two: where hardly any blast was ever missed, the newest ones
// before the first that is, that fell far short of usual, were on the way there, and count with it.
void saw_blast(ProbeState& state, BlastSeen seen, std::int64_t now_ms) {
    constexpr std::uint32_t most_waned = 2;
    constexpr double hardly_any = 0.1;  // a guess
    if (!seen.shown) {
        bool const first = state.blasts_missed == 0;
        bool const reliable = 1.0 - state.blasts_share < hardly_any;
        state.missed_since_ms = first ? now_ms : state.missed_since_ms;
        state.blasts_missed += 1 + (first && reliable ? std::min(state.blasts_waned, most_waned) : 0);
        state.blasts_waned = 0;
        return;
    }
    state.blasts_waned = seen.short_of_usual ? state.blasts_waned + 1 : 0;
    constexpr std::uint32_t most_counted = 10;
    double const gain = 1.0 / std::min(2.0 + state.blasts_shown, 100.0);
    for (std::uint32_t i = 0; i < std::min(state.blasts_missed, most_counted); ++i) {
        state.blasts_share -= gain * state.blasts_share;
    }
    state.blasts_share += gain * (1.0 - state.blasts_share);
    state.blasts_missed = 0;
    ++state.blasts_shown;
}

// A rise whose moment was found: kept apart from the others, for what it tells is weak.
ResponseTest judge_found(ProbeState& state, Candidate const& candidate, double temperature_c,
                         std::string_view set_aside) {
    auto const& fit = candidate.fit;
    double const ln_to_20 = std::log(electrode::t90_at_20(1.0, temperature_c));
    if (set_aside.empty()) {
        state.found.temperature_known(!std::isnan(candidate.temperature_c));
        state.found.take(to_unix_ms(candidate.time), ln_to_20, fit, state.last_saturation);
    }
    ResponseTest test;
    test.time = candidate.time;
    test.source = candidate.source;
    test.model = state.trend.model();
    test.t90_s = t90_of_found_s(fit.late_s);
    double const widest = 3.0;  // of a fit that failed, too, which may have no error
    double const spread = std::exp(1.645 * (fit.ln_error < widest ? fit.ln_error : widest));
    test.low_s = test.t90_s / spread;
    test.high_s = test.t90_s * spread;
    if (!std::isnan(candidate.temperature_c)) {
        test.at_temperature_c = candidate.temperature_c;
    }
    test.t90_20_s = test.t90_s * std::exp(ln_to_20);
    test.set_aside = set_aside.empty()
                         ? "its moment was found in the readings, which tells too little for T90"
                         : std::string{set_aside};
    return test;
}

// An edge of the air, by what the water did after it.
bool of_water(TestSource source) {
    return source == TestSource::aeration_off || source == TestSource::aeration_on;
}

// Empty: the test counts.
std::string_view why_aside(ProbeState const& state, Candidate const& candidate, bool settling) {
    if (settling) {
        return "the membrane had just been changed";
    }
    bool const untimed = candidate.source == TestSource::aeration_off && !candidate.air_timed;
    if (candidate.fit.set_aside.empty() && untimed && state.trend.air_times_edges()) {
        return "the airflow did not tell when the air stopped, as it does here";
    }
    if (candidate.fit.set_aside.empty() && candidate.lifted &&
        state.trend.declines_tell(to_unix_ms(candidate.time))) {
        return "the stops of the air tell the response here, and better than one lift";
    }
    // A step of air is large beside what a loose membrane adds; an edge of the air is not.
    if (candidate.fit.set_aside.empty() && of_water(candidate.source) &&
        any_standing(state, {Reason::fluctuation, Reason::membrane_damage})) {
        return "the membrane moves its reading too much";
    }
    // Of a blast that did not show, what falls after it is the water. Many that are read seldom are judged
    // together: each of them may have fallen between two polls.
    bool const alone = candidate.fit.blasts == 1 && !of_water(candidate.source) && !candidate.lifted;
    if (candidate.fit.set_aside.empty() && alone && state.blasts_missed > 0) {
        return "the blast did not reach the membrane";
    }
    // Through a hole the reading leaps as far by itself.
    bool const found = candidate.source == TestSource::air_exposure && !candidate.lifted;
    if (candidate.fit.set_aside.empty() && found && standing(state, Reason::membrane_damage)) {
        return "a reading with a hole before it leaps as in a blast";
    }
    return candidate.fit.set_aside;
}

// What a background that has been told adds to a reading in air: no error of the span.
double background_percent(ProbeState const& state) {
    return standing(state, Reason::background) ? 100.0 * state.background_mg_l / state.last_saturation : 0.0;
}

// `against_air`: the saturation of this water is known, so that a reading in air can be held against it.
ResponseTest judge(ProbeState& state, ProbeSetup const& setup, Candidate const& candidate, bool against_air) {
    auto const& fit = candidate.fit;
    auto const at_ms = to_unix_ms(candidate.time);
    double const temperature =
        std::isnan(candidate.temperature_c) ? usual_temperature_c : candidate.temperature_c;
    // Back in the water at rest, it shows its response at once.
    bool const settling = state.service.state(at_ms) == ServiceState::settling &&
                          !(candidate.by_hand && state.service.went_back_at_rest());
    if (candidate.air_timed) {
        state.trend.time_edges_by_air();
    }
    auto const set_aside = why_aside(state, candidate, settling);
    if (fit.onset_found && candidate.source == TestSource::aeration_on) {
        return judge_found(state, candidate, temperature, set_aside);
    }
    bool const used = set_aside.empty();
    if (candidate.source == TestSource::aeration_off && set_aside == too_uncertain) {
        state.trend.saw_unsure_decline();
    }
    if (used) {
        bool const lent = !state.temperature_seen && !state.lent_by_neighbours;
        state.trend.temperature_leaves(std::isnan(candidate.temperature_c) ? no_temperature_error
                                       : lent                              ? lent_temperature_error
                                                                           : 0.0);
        state.trend.take(candidate.tested_ms != 0 ? candidate.tested_ms : at_ms, candidate.source,
                         std::log(electrode::t90_at_20(1.0, temperature)), fit, setup.t90_s.value_or(0.0),
                         state.coating);
    }
    if (against_air && !std::isnan(candidate.air.percent) && !settling) {
        auto air = candidate.air;
        air.percent -= background_percent(state);
        state.span.exposure(at_ms, air);
    }
    // A response that is over within a reading or two is no measure, but it is not slow.
    if (candidate.fit.quicker_than_readings && !settling) {
        state.checked_ms = std::max(state.checked_ms, at_ms);
        ++state.quick_falls;
    }
    ResponseTest test;
    test.time = candidate.time;
    test.source = candidate.source;
    test.model = state.trend.model();
    double const lag_s = state.trend.lag_s(candidate.source, fit);
    test.t90_s = state.trend.t90_s(candidate.source, fit);
    double const ln_error =
        of_water(candidate.source) && !fit.onset_found
            ? std::hypot(fit.late_error_s, state.trend.lag_error_s(candidate.source)) / lag_s
            : fit.ln_error;
    double const spread = std::exp(1.645 * std::min(ln_error, 3.0));
    test.low_s = test.t90_s / spread;
    test.high_s = test.t90_s * spread;
    if (!std::isnan(candidate.temperature_c)) {
        test.at_temperature_c = candidate.temperature_c;
    }
    test.t90_20_s =
        test.t90_s * std::pow(electrode::t90_at_20(1.0, temperature), state.trend.temperature_share());
    test.used = used;
    test.set_aside = std::string{set_aside};
    return test;
}

double guess_20_s(ProbeState const& state, ProbeSetup const& setup) {
    auto const known = state.trend.response(state.last_ms);
    return known ? std::exp(std::clamp(known->ln + known->error, 0.0, 7.5))
                 : setup.t90_s.value_or(unknown_t90_s);
}

}  // namespace

double t90_guess(ProbeState const& state, ProbeSetup const& setup, double temperature_c) {
    double const at_20 = state.guess_20_s > 0.0 ? state.guess_20_s : guess_20_s(state, setup);
    return std::isnan(temperature_c) ? at_20 : at_20 / electrode::t90_at_20(1.0, temperature_c);
}

namespace {

void learn_from(ProbeState& state, Handling const& handling);

// What a person did without telling counts as if it had been told.
void follow_service(ProbeState& state, View const& view, bool hold, double t90_guess_s) {
    auto const seen = state.service.take(view, hold, {t90_guess_s, state.fluctuation.noise()});
    Handling handling;
    if (seen.membrane_ms) {
        handling.time = from_unix_ms(*seen.membrane_ms);
        handling.act = Act::membrane_change;
        learn_from(state, handling);  // its fall back to the water is under way, and goes on being watched
    }
    if (seen.dry_zero_mg_l) {
        handling.time = from_unix_ms(view.time_ms);
        handling.act = Act::inspection;
        handling.dry_zero_mg_l = seen.dry_zero_mg_l;
        handle(state, handling);
    }
    if (seen.back_ms) {
        state.capture.put_back(*seen.back_ms, view, t90_guess_s);
    }
}

// Where a bit tells the edges of the air, hours without it would count them as the probe's movement; and
// hours in which it says that the air is on, and water without oxygen says that it is not.
bool edges_hidden(ProbeState& state, View const& view) {
    constexpr std::int64_t air_shows_ms = 15 * 60'000, a_day_ms = 86'400'000;
    constexpr double no_oxygen_part = 0.02;
    state.aeration_seen = state.aeration_seen || view.aerated != Aerated::unknown;
    auto const since_ms = state.capture.aeration_since_ms();
    bool const denied = view.aerated == Aerated::on && view.time_ms - since_ms > air_shows_ms &&
                        view.value < no_oxygen_part * view.saturation;
    state.air_denied_ms = denied ? view.time_ms : state.air_denied_ms;
    bool const wrong = state.air_denied_ms > since_ms && view.time_ms - state.air_denied_ms < a_day_ms;
    return state.aeration_seen && (view.aerated == Aerated::unknown || wrong);
}

}  // namespace

std::optional<ResponseTest> take(ProbeState& state, ProbeSetup const& setup, Reading const& reading) {
    if (!usable(reading)) {
        return std::nullopt;
    }
    auto const now_ms = to_unix_ms(reading.time);
    if (state.last_ms != 0 && now_ms - state.last_ms > longest_gap_ms(setup)) {
        break_off(state);
    }
    auto const view = view_of(state, reading);
    state.guess_20_s = state.guess_20_s > 0.0 ? state.guess_20_s : guess_20_s(state, setup);
    double const guess_s = t90_guess(state, setup, view.temperature_c);
    auto const freezes = state.habits.frozen_while_cleaning();
    auto const outcome = state.capture.take(
        view,
        {guess_s, state.trend.delay_s(), state.trend.delay_error_s(), state.trend.membrane_probability(),
         state.fluctuation.noise(), freezes.value_or(false), state.liveness.resolution(),
         nothing_tests(state, now_ms), is_read(reading.do_percent), state.in_air, freezes.value_or(true),
         state.zero, state.blasts_missed > 0 && standing(state, Reason::cleaning_failed)});
    follow_service(state, view, reading.has(mark_hold), guess_s);
    bool const busy = state.service.busy();
    bool const disturbed = busy || state.capture.disturbed(now_ms, guess_s);
    state.background.take(view, guess_s, state.fluctuation.noise(), state.liveness.resolution(), disturbed);
    state.fluctuation.take(view, disturbed || edges_hidden(state, view));
    if (busy) {
        state.liveness.interrupt();
    } else {
        state.liveness.take(view, disturbed);
        state.height.take(view);
    }
    state.habits.take(view, reading, guess_s, disturbed);
    if (outcome.blast && outcome.blast->expected) {
        saw_blast(state, *outcome.blast, now_ms);
    }
    state.first_ms = state.first_ms == 0 ? now_ms : state.first_ms;
    state.last_ms = now_ms;
    state.pressure_ms = is_read(reading.pressure_hpa) ? now_ms : state.pressure_ms;
    state.last_value = view.value;
    state.last_saturation = view.saturation;
    state.last_temperature_c = reading.temperature_c;
    bool const against_air = is_read(reading.do_percent);
    if (!outcome.test) {
        return std::nullopt;
    }
    state.guess_20_s = 0.0;
    return judge(state, setup, *outcome.test, against_air);
}

namespace {

void learn_from(ProbeState& state, Handling const& handling) {
    auto const at_ms = to_unix_ms(handling.time);
    state.guess_20_s = 0.0;
    state.service.handled(handling);
    state.span.handled(handling);
    if (handling.dry_zero_mg_l) {
        state.dry_zero_mg_l = *handling.dry_zero_mg_l;
        state.dry_zero_ms = at_ms;
    }
    // A dry zero from before the work says nothing after it; one of the same visit is how it was left.
    auto const forget_zero = [&] {
        constexpr std::int64_t visit_ms = 3 * 3'600'000;
        state.dry_zero_ms = at_ms - state.dry_zero_ms > visit_ms ? 0 : state.dry_zero_ms;
    };
    auto const forget = [&](Reason reason) { tracker(state, reason).reset(); };
    switch (handling.act) {
        case Act::membrane_change:
        case Act::probe_swap:
            state.trend.new_life(at_ms, handling.act == Act::membrane_change);
            state.found.new_life(at_ms, handling.act == Act::membrane_change);
            state.found_told_ms = 0;
            state.capture.new_membrane();
            state.by_neighbours.forget();
            state.fluctuation.new_life(at_ms, handling.act == Act::membrane_change);
            state.liveness.new_life(at_ms);
            state.background.new_life();
            state.zero = {};
            state.hole_by_movement_ms = state.hole_by_floor_ms = state.hole_by_height_ms = 0;
            state.hole_moves_mg_l = 0.0;
            state.height = {};  // another cell reads by its own measure
            state.apart.set_anew(at_ms, /*membrane=*/true);
            // How many blasts the new membrane shows is to be seen, and what was missed before the work is no
            // failure after it. A cleaner that was left off is told, if later.
            state.blasts_missed = state.blasts_waned = 0;
            state.blasts_shown = std::min(state.blasts_shown, fewest_blasts);
            state.blasts_share = 0.5;
            state.coating = handling.coating.value_or(state.coating);
            for (auto& tracker : state.trackers) {
                tracker.reset();
            }
            forget_zero();
            state.checked_ms = at_ms;
            break;
        case Act::electrode_clean:
            forget_zero();
            state.background.new_life();
            state.zero = {};
            forget(Reason::background);
            break;
        case Act::membrane_wipe:
            state.wipe_every_ms = state.wiped_ms == 0 ? 0 : at_ms - state.wiped_ms;
            state.wiped_ms = at_ms;
            state.trend.wiped();
            state.capture.wiped();
            state.found.wiped();
            state.by_neighbours.forget();
            break;
        case Act::air_calibration:
            state.apart.set_anew(at_ms, /*membrane=*/false);
            state.hole_by_height_ms = 0;
            state.height = {};
            forget(Reason::span_error);
            forget(Reason::reference_disagreement);
            break;
        case Act::reference_check:
        case Act::moved:
        case Act::settings_change:
        case Act::inspection:
            break;
    }
}

}  // namespace

void handle(ProbeState& state, Handling const& handling) {
    learn_from(state, handling);
    state.capture.interrupt();
}

ServiceState service_state(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms) {
    if (state.absent_since_ms != 0) {
        return ServiceState::out_of_use;
    }
    auto const seen = state.service.state(now_ms);
    if (seen != ServiceState::awaiting_calibration) {
        return seen;
    }
    return reads_as_calibrated(state, setup, now_ms) ? ServiceState::in_service : seen;
}

void leave_use(ProbeState& state, std::int64_t at_ms) {
    break_off(state);
    state.absent_since_ms = at_ms;
    state.condition = Condition::unknown;
}

void return_to_use(ProbeState& state, std::int64_t at_ms) {
    break_off(state);
    state.absent_since_ms = 0;
    state.returned_ms = at_ms;
    state.blasts_missed = state.blasts_waned = 0;
    for (auto& tracker : state.trackers) {
        if (!tracker.standing()) {
            tracker.reset();
        }
    }
}

namespace {

// What a probe that is loose, pierced, stuck or dead shows is its own movement, or none; and what it showed
// when there was last oxygen to move says nothing of today.
bool shows_water_move(ProbeState const& state, std::int64_t now_ms) {
    constexpr std::int64_t recent_ms = 6 * 3'600'000;
    bool const its_own =
        any_standing(state, {Reason::fluctuation, Reason::membrane_damage, Reason::stuck, Reason::no_signal});
    return !its_own && now_ms - state.fluctuation.at_ms() < recent_ms;
}

// Polls follow each other more quickly than the membrane lets the water through: what of it comes from one
// reading to the next is smooth, and what is not arose behind the membrane.
bool shows_flutter(ProbeState const& state, ProbeSetup const& setup) {
    constexpr double polls = 1.5;  // in its time constant. A guess
    return polls * std::log(10.0) * setup.poll_s < t90_guess(state, setup, state.last_temperature_c);
}

}  // namespace

Shown shown(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms) {
    Shown out;
    out.alive = state.absent_since_ms == 0 && state.last_ms != 0 && now_ms - state.last_ms < 600'000;
    out.mute = mute(state);
    out.value = state.last_value / state.last_saturation;
    auto const now = state.fluctuation.now();
    auto const fresh = state.fluctuation.fresh();
    if (now && fresh && shows_water_move(state, now_ms)) {
        out.fluctuation_ratio = *now / *fresh;
        out.movement_mg_l = *now;
        auto const gained = state.fluctuation.gained();
        // It does so within days, a storm within hours.
        bool const leapt = state.fluctuation.leapt_ms() != 0;
        out.loosens = gained && gained->nearly_all_flutters() && !leapt && shows_flutter(state, setup);
        double const own = out.loosens ? gained->flutter : 0.0;
        out.water_part =
            out.loosens ? std::max(std::sqrt(std::max(0.0, *now * *now - own * own)), *fresh) / *now : 1.0;
    }
    out.temperature_c = state.last_temperature_c;
    out.leapt_ms = state.fluctuation.leapt_ms();
    out.state = &state;
    out.setup = &setup;
    return out;
}

}  // namespace probekeeper::diagnosis

#include <algorithm>
#include <cmath>
#include <limits>
#include <span>

#include "diagnosis/assumed.h"
#include "diagnosis/cases.h"
#include "diagnosis/hole.h"
#include "diagnosis/probe.h"
#include "estimate/robust.h"

namespace probekeeper::diagnosis {
namespace {

constexpr double hour_s = 3600.0;
constexpr double day_s = 86'400.0;
constexpr std::int64_t hour_ms = 3'600'000;
constexpr double enough_oxygen = 0.1;  // of saturation: beside it a living cell does not read zero. A guess
constexpr double seen_to_be = 0.99;    // of what is plain from the readings, not estimated
constexpr double likely = 0.8;         // enough of what lies days ahead

// The typical one of the neighbours that are alive; 0 where there is none.
template <typename Value>
double typical(std::vector<Shown> const& neighbours, Value value) {
    std::vector<double> values;
    for (auto const& n : neighbours) {
        if (n.alive && value(n) > 0.0) {
            values.push_back(value(n));
        }
    }
    return values.empty() ? 0.0 : estimate::median_inplace(values);
}

// How many times as slow as this probe a neighbour is: so many times less it shows of what moves the water
// more quickly than it can follow.
double slower_than(ProbeState const& state, ProbeSetup const& setup, Shown const& neighbour) {
    constexpr double at_20_c = std::numeric_limits<double>::quiet_NaN(), most = 2.0;  // a guess
    double const own_s = t90_guess(state, setup, at_20_c);
    return std::clamp(t90_guess(*neighbour.state, *neighbour.setup, at_20_c) / own_s, 1.0, most);
}

void weigh_silence(ProbeState& state, ProbeSetup const& setup, std::int64_t now_ms, Silence silence) {
    double const minutes =
        silence.since_ms == 0 ? 0.0 : static_cast<double>(now_ms - silence.counted_from_ms) / 60'000.0;
    bool const over = minutes >= setup.limits.no_reading_ticket_minutes;
    tracker(state, Reason::no_communication).take(now_ms, over ? seen_to_be : 0.0, {0.0, 0.0});
}

// Where a part of the blasts has always been missed, a run of misses may be chance: with a share p that
// shows, n in a row come with probability (1 - p)^n after each blast. At most one false alarm in ten thousand
// blasts. Blasts soon after each other are missed for one cause, so few must at least last.
bool blasts_fail(ProbeState const& state, std::int64_t now_ms) {
    constexpr std::uint32_t few = 3;
    constexpr double lasting_s = 0.5 * day_s;  // a guess
    double const lasted_s = static_cast<double>(now_ms - state.missed_since_ms) / 1000.0;
    bool const enough =
        state.blasts_missed >= fewest_blasts || (state.blasts_missed >= few && lasted_s > lasting_s);
    double const missing = std::max(1.0 - state.blasts_share, 0.01);
    return state.blasts_shown >= fewest_blasts && enough &&
           state.blasts_missed * std::log(missing) < std::log(1e-4);
}

// A cell that lives reads the air of a blast. One at zero that shows none of those that come is dead; that
// the water should be without oxygen all the while, and the cleaner have failed in it, is far less likely.
bool blasted_in_vain(ProbeState const& state, std::int64_t now_ms) {
    auto const zero_ms = state.liveness.zero_since_ms();
    return zero_ms != 0 && state.missed_since_ms > zero_ms && blasts_fail(state, now_ms);
}

// Air that comes on, as a bit or an airflow tells it; where neither does, neighbours that read oxygen once
// more tell that it came.
void follow_oxygen(ProbeState& state, std::int64_t now_ms, bool anyone, bool others_rich) {
    state.others_rich_ms = !others_rich ? 0 : state.others_rich_ms == 0 ? now_ms : state.others_rich_ms;
    auto const aerated = state.capture.aerated();
    if (aerated == Aerated::on && (!anyone || others_rich)) {
        state.liveness.follow_air(now_ms, state.capture.aeration_since_ms());
    } else if (aerated == Aerated::unknown && others_rich) {
        state.liveness.follow_air(now_ms, state.others_rich_ms);
    }
}

// What it reads may be held against others, and theirs against it.
bool comparable(Shown const& shown) {
    constexpr double enough = 0.2;  // of saturation: below it backgrounds and lags are a part of what is read
    bool const doubtful =
        any_standing(*shown.state, {Reason::membrane_damage, Reason::span_error,
                                    Reason::reference_disagreement, Reason::not_settled, Reason::background});
    return shown.alive && !shown.mute && !doubtful && !shown.state->service.busy() && shown.value > enough;
}

void hold_beside(ProbeState& state, std::int64_t now_ms, std::vector<Shown> const& neighbours) {
    // Of mg/L no saturation need be known.
    double const ratio = typical(neighbours, [&state](Shown const& n) {
        bool const in_mg_l = state.in_mg_l && n.state->in_mg_l;
        double const own = in_mg_l ? state.last_value : state.last_value / state.last_saturation;
        return comparable(n) ? own / (in_mg_l ? n.state->last_value : n.value) : 0.0;
    });
    if (mute(state) || ratio <= 0.0) {
        return;
    }
    std::int64_t set_ms = 0;
    for (auto const& n : neighbours) {
        set_ms = std::max(set_ms, n.state->apart.set_ms());
    }
    state.apart.take(now_ms, std::log(ratio), set_ms);
}

void weigh_output(ProbeState& state, ProbeSetup const& setup, std::int64_t now_ms,
                  std::vector<Shown> const& neighbours) {
    auto const aerated = state.capture.aerated();
    LivenessWatch::Oxygen oxygen;
    oxygen.aerated_for_s = aerated == Aerated::on
                               ? static_cast<double>(now_ms - state.capture.aeration_since_ms()) / 1000.0
                               : 0.0;
    oxygen.air_untold = aerated == Aerated::unknown;
    oxygen.blasted_in_vain = blasted_in_vain(state, now_ms);
    // A neighbour that is dead or stuck says nothing of the water.
    double const others = typical(neighbours, [](Shown const& n) { return n.mute ? 0.0 : n.value; });
    bool const anyone =
        std::any_of(neighbours.begin(), neighbours.end(), [](Shown const& n) { return n.alive && !n.mute; });
    bool const others_low_too = anyone && others < 0.05;
    bool const others_high_too = anyone && others > 1.4;
    follow_oxygen(state, now_ms, anyone, others > enough_oxygen);
    // Once dead it stays so until the reading leaves zero, whatever the aeration does meanwhile.
    bool const still_dead = standing(state, Reason::no_signal) && state.liveness.zero_since_ms() != 0;
    bool const zero = still_dead || (state.liveness.dead_zero(oxygen) && !others_low_too);
    tracker(state, Reason::no_signal).take(now_ms, zero ? seen_to_be : 0.0, {0.0, hour_s});
    bool const at_zero = state.liveness.zero_since_ms() != 0;
    // Told, it stays so while the value does, though the water should run out of oxygen once more.
    bool const told_stuck = standing(state, Reason::stuck);
    bool const excused = at_zero && (zero || (others_low_too && !told_stuck));
    auto const held = state.liveness.stuck();
    bool const stuck = held && !excused;
    tracker(state, Reason::stuck).take(now_ms, stuck ? seen_to_be : 0.0, {0.0, hour_s});
    // What such an output showed was no floor of the water.
    if (zero || stuck) {
        state.background.forget_since(zero ? state.liveness.zero_since_ms() : held->since_ms);
    }
    // A bright day after dull ones lifts a pond as far, over its hours. A hole does it at once.
    bool const leaking =
        state.liveness.leaking(now_ms) && !others_high_too && state.height.steepest() > far_step;
    bool const leapt = moves_through_hole(state, now_ms, neighbours);
    bool const more = reads_more_of_all(state, setup, now_ms, neighbours);
    bool const damaged = broken(state, now_ms) || leapt || leaking || more;
    tracker(state, Reason::membrane_damage)
        .take(now_ms, damaged ? seen_to_be : 0.0, {leaking ? 0.0 : hour_s, 12.0 * hour_s});
}

void weigh_temperature(ProbeState& state, std::int64_t now_ms, std::vector<Shown> const& neighbours) {
    double const t = state.last_temperature_c;
    if (std::isnan(t)) {
        return;
    }
    // A neighbour's broken thermometer says nothing of this one.
    double const others = typical(neighbours, [](Shown const& n) {
        return plausible_temperature(n.temperature_c) ? n.temperature_c : 0.0;
    });
    bool const impossible = !plausible_temperature(t);
    bool const contradicted = others > 0.0 && std::abs(t - others) > 5.0;
    tracker(state, Reason::temperature_fault)
        .take(now_ms, impossible || contradicted ? seen_to_be : 0.0, {6.0 * hour_s, 6.0 * hour_s});
}

// A limit that is passed is told after half a day, by found rises after one. One that is ahead is told where
// it is likely to be passed well within the horizon: a forecast that is told too late is no use, and one that
// is told too early only brings a visit forward.
void weigh_slowness(ProbeState& state, ProbeSetup const& setup, std::int64_t now_ms) {
    // Of slow coatings more are told in time by a nearer day and a lower bar, for as many that are told weeks
    // too early. Guesses that the simulated plants bear out.
    constexpr double well_within = 0.5, soon_likely = 0.65;
    constexpr std::int64_t followed_ms = 4 * 86'400'000LL;
    // What a hole lets past the membrane is no response of it: it is to be changed, and that is told.
    if (standing(state, Reason::membrane_damage)) {
        tracker(state, Reason::slow_response).take(now_ms, -1.0, {});
        return;
    }
    auto const slow = slow_case(state, setup, now_ms);
    double const over = slow.probability;
    if (over < 0.0 || over >= Tracker::sure) {
        tracker(state, Reason::slow_response)
            .take(now_ms, over, {slow.by_found ? day_s : 0.5 * day_s, day_s});
        return;
    }
    // A course that nothing has confirmed for days is no forecast; of it neighbours say nothing. Nor is one
    // that a loose membrane has bent on its way to where its tests are set aside.
    bool const loose = standing(state, Reason::fluctuation);
    auto const lately = [&](std::int64_t at_ms) { return !loose && now_ms - at_ms < followed_ms; };
    bool const followed = lately(state.trend.newest_test_ms());
    bool const tested = followed || lately(std::max(newest_test_ms(state), state.found.newest_ms()));
    double const soon =
        followed ? slow_within(state, setup, now_ms, well_within * setup.limits.horizon_days) : 0.0;
    // What found rises alone make likely is no forecast: they are all off by what the load and the aerator
    // do, day after day, and no more of them will make it surer.
    bool const by_found_alone = slow.by_found && over > soon;
    tracker(state, Reason::slow_response)
        .take(now_ms, std::max(over, soon),
              {day_s, day_s, tested && !by_found_alone ? soon_likely : Tracker::sure});
}

// See found.h for the rule.
void hear_found_rises(ProbeState& state, ProbeSetup const& setup, std::int64_t now_ms) {
    constexpr double hardly = 0.1;
    state.found.settle(now_ms);
    double const over = found_case(state, setup, now_ms).probability;
    if (over >= Tracker::sure || (over >= 0.0 && over < hardly)) {
        state.found_told_ms = state.found.newest_ms();
    }
}

// Residue comes to one probe at a time. Oxygen that stays without air comes to all in the water, and goes
// again.
bool leapt_with_neighbours(ProbeState const& state, std::int64_t now_ms,
                           std::vector<Shown> const& neighbours) {
    constexpr std::int64_t together_ms = 24 * hour_ms, goes_again_ms = 14 * 24 * hour_ms;
    auto const leapt_ms = state.background.leapt_ms();
    if (leapt_ms == 0 || now_ms - leapt_ms > goes_again_ms) {
        return false;
    }
    return std::any_of(neighbours.begin(), neighbours.end(), [leapt_ms](Shown const& n) {
        auto const theirs_ms = n.alive ? n.state->background.leapt_ms() : 0;
        return theirs_ms != 0 && std::abs(theirs_ms - leapt_ms) < together_ms;
    });
}

// What the probe reads in water that has run out of oxygen, or has come to where it falls no further. Whether
// that is its own background or oxygen that stays, a decline bends towards it; taken for one towards zero, it
// would bend too soon, and a slower probe would explain it.
ZeroReading ends_of_declines(ProbeState const& state, std::int64_t now_ms) {
    // What floors that agree, and such as do not, differ by from the one that this decline would come to; and
    // beyond which level it is rather air that holds it up. Guesses.
    constexpr double agreed_error = 0.02, lowest_error = 0.05, held_up_mg_l = 0.5;
    if (auto const floor = state.background.floor(now_ms)) {
        return {floor->level, std::hypot(floor->error, agreed_error)};
    }
    double const lowest = state.background.lowest(now_ms);
    return lowest < held_up_mg_l ? ZeroReading{lowest, lowest_error}
                                 : ZeroReading{state.zero.value};  // NaN, too
}

void weigh_background(ProbeState& state, ProbeSetup const& setup, std::int64_t now_ms,
                      std::vector<Shown> const& neighbours) {
    state.background.watch_for_leap(now_ms);
    auto const known = background_known(state, setup, now_ms);
    state.background_mg_l = known ? known->level : state.background_mg_l;
    state.zero = ends_of_declines(state, now_ms);
    double probability = background_case(state, setup, now_ms).probability;
    bool const told_by_person = known && known->source == BackgroundSource::dry_zero;
    bool const sudden = known && known->sudden;
    // Each day's floors speak anew: what most of them say for more than a day is as sure as what one says
    // clearly.
    bool const slowly = !told_by_person && probability >= 0.7 && probability < Tracker::sure;
    probability = slowly ? Tracker::sure : probability;
    double const wait_s = told_by_person ? 0.0 : slowly ? 30.0 * hour_s : 8.0 * hour_s;
    // A floor that has leapt is more likely oxygen that stays for some days than residue, which grows.
    bool const unseen =
        !told_by_person && (mute(state) || sudden || leapt_with_neighbours(state, now_ms, neighbours));
    tracker(state, Reason::background).take(now_ms, unseen ? -1.0 : probability, {wait_s, day_s});
}

// What neighbours show of how lively the water is. One that comes loose itself shows it by what is left
// beside that; several never come loose at once, and what they all show is the water's, or bubbles in it.
void hear_movement(ProbeState& state, ProbeSetup const& setup, std::vector<Shown> const& neighbours) {
    auto const compared = std::count_if(neighbours.begin(), neighbours.end(),
                                        [](Shown const& n) { return n.alive && n.fluctuation_ratio > 0.0; });
    auto const loosen = std::count_if(neighbours.begin(), neighbours.end(),
                                      [](Shown const& n) { return n.alive && n.loosens; });
    bool const together = loosen > 1 && loosen == compared;
    auto const part = [together](Shown const& n) { return together ? 1.0 : n.water_part; };
    state.neighbours_ratio =
        typical(neighbours, [&](Shown const& n) { return n.fluctuation_ratio * part(n); });
    state.neighbours_movement = typical(
        neighbours, [&](Shown const& n) { return n.movement_mg_l * part(n) * slower_than(state, setup, n); });
}

void weigh_slow_reasons(ProbeState& state, ProbeSetup const& setup, std::int64_t now_ms,
                        std::vector<Shown> const& neighbours) {
    state.trend.settle(now_ms);
    state.fluctuation.close_hour(now_ms, state.liveness.resolution(), setup.poll_s);
    state.liveness.close_hour(now_ms);
    state.height.close_hour();
    hear_movement(state, setup, neighbours);

    hear_found_rises(state, setup, now_ms);
    weigh_slowness(state, setup, now_ms);

    weigh_background(state, setup, now_ms, neighbours);

    // A membrane comes loose within days: one that has likely passed its limit for hours will surely
    // tomorrow.
    constexpr double likely_loose = 0.8;
    bool const compared = state.neighbours_ratio > 0.0;
    // The movement of a pierced membrane is told once.
    bool const pierced = standing(state, Reason::membrane_damage);
    tracker(state, Reason::fluctuation)
        .take(now_ms, pierced ? -1.0 : fluctuation_case(state, setup).probability,
              {(compared ? 4.0 : 8.0) * hour_s, day_s, likely_loose});
    auto const span = state.span.known(pressure_error(state, setup));
    // Beyond these it is no error of span, and blasts are better judged against air itself.
    state.in_air = span ? std::clamp(span->percent / 100.0, 0.7, 1.5) : 1.0;
    auto const drift = span_case(state, setup);
    tracker(state, Reason::span_error)
        .take(now_ms, drift.probability,
              {6.0 * hour_s, 6.0 * hour_s, drift.by_drift ? likely : Tracker::sure});
    bool const restless = state.service.restless();
    tracker(state, Reason::not_settled)
        .take(now_ms, restless ? seen_to_be : settled_case(state, setup, now_ms).probability,
              {restless ? 0.0 : 6.0 * hour_s, 6.0 * hour_s});
    tracker(state, Reason::reference_disagreement)
        .take(now_ms, reference_case(state, setup).probability, {0.0, 0.0});
    // An output that is dead or stuck shows no blast, and a pierced membrane shows less of each: that is told
    // once.
    bool const silenced = mute(state);
    // Nor can a probe that has become too slow be asked whether a blast came that no bit declares. And what
    // leapt by the clock, and neither tested the response nor was over sooner than readings tell, was no
    // blast, but air that the water held: it may stay away.
    bool const told = state.habits.habit(mark_cleaning) == BitHabit::moves;
    bool const blasted = state.trend.blasted() || state.quick_falls >= fewest_blasts;
    bool const unseen = !told && (standing(state, Reason::slow_response) || !blasted);
    // What leaps within hours may be a hole, and hides its blasts until that is known.
    bool const hidden = pierced || state.fluctuation.leapt_ms() != 0;
    // A run of them raises it; one that shows by chance must not end it, so that it is told once.
    tracker(state, Reason::cleaning_failed)
        .take(now_ms,
              silenced || hidden || unseen ? -1.0
              : blasts_fail(state, now_ms) ? seen_to_be
                                           : 0.0,
              {0.0, 2.0 * day_s});

    // Found rises put it off; once it is asked for, only a test that tells answers it.
    bool const asked = standing(state, Reason::verification_due);
    auto const since_ms =
        std::max({newest_evidence_ms(state), asked ? 0 : state.found_told_ms, state.first_ms});
    // One that has never read has nothing to verify: its silence says all. Nor has one with a hole, whose
    // edges of the air are set aside, nor one whose cleaner has failed: it is to be serviced.
    bool const untestable = silenced || pierced || standing(state, Reason::cleaning_failed);
    bool const stale = (since_ms != 0 && static_cast<double>(now_ms - since_ms) / 1000.0 >
                                             setup.limits.evidence_days * day_s) ||
                       unchecked_since_return(state);
    tracker(state, Reason::verification_due)
        .take(now_ms,
              untestable ? -1.0
              : stale    ? seen_to_be
                         : 0.0,
              {0.0, 0.0});
}

// Of the neighbour that knows best, by edges that are timed alike, what of them is the aerator's.
void hear_delay(ProbeState& state, std::vector<Shown> const& neighbours) {
    std::optional<Level::Delay> best;
    for (auto const& n : neighbours) {
        auto const told = n.alive && n.state->trend.air_times_edges() == state.trend.air_times_edges()
                              ? n.state->trend.aerator()
                              : std::nullopt;
        best = told && (!best || told->error_s < best->error_s) ? told : best;
    }
    if (best) {
        state.trend.heard_delay(*best);
    }
}

// With the neighbour whose response is known best.
std::optional<ResponseTest> compare_with_best(ProbeState& state, ProbeSetup const& setup, std::int64_t now_ms,
                                              std::vector<Shown> const& neighbours) {
    NeighbourShown best;
    for (auto const& n : neighbours) {
        if (!n.alive) {
            continue;
        }
        auto const shown = response_shown(*n.state, *n.setup, now_ms);
        if (shown.usable && (!best.usable || shown.lag_error_s < best.lag_error_s)) {
            best = shown;
        }
    }
    return best.usable ? compare_with(state, setup, best, now_ms) : std::nullopt;
}

Condition conclude(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms, Silence silence) {
    Condition worst = Condition::good;
    for (std::size_t i = 0; i < reason_count; ++i) {
        auto const condition = condition_of(static_cast<Reason>(i));
        if (state.trackers[i].standing() && severity(condition) > severity(worst)) {
            worst = condition;
        }
    }
    // In hand it says nothing; awaiting its calibration it may still say that it fails.
    bool const handled = service_state(state, setup, now_ms) != ServiceState::in_service;
    if (handled && severity(worst) < severity(Condition::function_check)) {
        return Condition::function_check;
    }
    if (worst != Condition::good) {
        return worst;
    }
    // Good needs evidence: a response known against a fresh one, and recently, and rather within its limit
    // than past it, however wide its interval.
    bool const known = response_known(state, now_ms).has_value() && slow_limit(state, setup).has_value();
    double const age_s = static_cast<double>(now_ms - newest_test_ms(state)) / 1000.0;
    bool const recent = age_s < setup.limits.evidence_days * day_s;
    bool const within = !likely_slow(state, setup, now_ms);
    return known && recent && within && !unchecked_since_return(state) && silence.since_ms == 0
               ? Condition::good
               : Condition::unknown;
}

}  // namespace

std::optional<ResponseTest> weigh(ProbeState& state, ProbeSetup const& setup, std::int64_t now_ms,
                                  std::vector<Shown> const& neighbours, Silence silence) {
    std::optional<ResponseTest> test;
    state.guess_20_s = 0.0;
    weigh_silence(state, setup, now_ms, silence);
    // What it shows in somebody's hand is no evidence of anything.
    if (silence.since_ms == 0 && !state.service.busy()) {
        weigh_output(state, setup, now_ms, neighbours);
        hold_beside(state, now_ms, neighbours);
        if (now_ms - state.hour_ms >= hour_ms) {
            state.hour_ms = now_ms;
            hear_delay(state, neighbours);
            test = compare_with_best(state, setup, now_ms, neighbours);
            weigh_temperature(state, now_ms, neighbours);
            weigh_slow_reasons(state, setup, now_ms, neighbours);
        }
    }
    state.condition = conclude(state, setup, now_ms, silence);
    return test;
}

}  // namespace probekeeper::diagnosis

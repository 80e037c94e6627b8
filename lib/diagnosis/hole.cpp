#include "diagnosis/hole.h"

#include <algorithm>
#include <cmath>

#include "diagnosis/cases.h"

namespace probekeeper::diagnosis {
namespace {

constexpr std::int64_t hour_ms = 3'600'000;
// A leap of the movement that needs no leap of the level to be believed, if neighbours do not share it. A
// guess.
constexpr double far_leap = 4.0;
// The same of one that has none to ask: no water becomes so many times as lively. A guess.
constexpr double far_leap_alone = 10.0;
// And where nearly all of it moves behind the membrane: halfway between these. A guess.
constexpr double far_flutter_alone = 6.3;
// And of one with a leap of the level, what is typical since. A guess.
constexpr double least_leap = 2.0;
// What moves behind the membrane since such a leap, beside what moved before. A guess: with less than this as
// much again, it is livelier water, whose level changes by itself.
constexpr double least_flutter = 1.4;
constexpr double broken_floor_mg_l = 0.25;  // of a membrane with a hole. A guess
// What moves the water reaches all of its probes within hours; a neighbour that leapt on another day had its
// own reason. A guess.
constexpr std::int64_t one_storm_ms = 4 * hour_ms;

// The water moves its neighbours, too.
bool neighbours_share_leap(ProbeState const& state, std::vector<Shown> const& neighbours, double leapt) {
    auto const leapt_ms = state.fluctuation.leapt_ms();
    return std::any_of(neighbours.begin(), neighbours.end(), [&](Shown const& n) {
        bool const leaps_too = n.leapt_ms != 0 && std::abs(n.leapt_ms - leapt_ms) <= one_storm_ms;
        // Half of the way, of the logarithm.
        return n.alive && (leaps_too || n.state->fluctuation.risen_since(leapt_ms) > std::sqrt(leapt));
    });
}

// Sun and load raise the water for its neighbours, too. `rise_of`: by how many times the readings of one have
// risen.
template <typename RiseOf>
bool neighbours_share_rise(ProbeState const& state, std::vector<Shown> const& neighbours, RiseOf rise_of) {
    // Half of the way, of the logarithm.
    double const half = std::sqrt(rise_of(state));
    return std::any_of(neighbours.begin(), neighbours.end(),
                       [&](Shown const& n) { return n.alive && !n.mute && rise_of(*n.state) > half; });
}

double level_leap(ProbeState const& state) {
    return state.liveness.level_leap();
}

double height_step(ProbeState const& state) {
    return state.height.step();
}

// A membrane that is known to be loose, or was on its way there, moves with what it reads, and so leaps with
// the load. For a day what a hole does to the movement may have been told as that.
bool known_loose(ProbeState const& state, std::int64_t now_ms) {
    auto const leapt_ms = state.fluctuation.leapt_ms();
    auto const& told = tracker(state, Reason::fluctuation);
    bool const by_leap = told.raised_ms() > leapt_ms && now_ms - leapt_ms < 24 * hour_ms;
    return (told.standing() && !by_leap) || state.fluctuation.loosened_before_leap();
}

// Water that is left with oxygen has floors that move with its load; a hole's agree. Where no bit tells the
// air, levels that it holds are plateaus, too: then the lowest of some hours tell, over a day.
bool lowest_agree(ProbeState const& state, std::int64_t now_ms) {
    constexpr double alike_mg_l = 0.05;  // a guess
    double const newest = state.background.lowest(now_ms);
    bool alike = !std::isnan(newest);
    for (auto at_ms = now_ms; at_ms > now_ms - 20 * hour_ms; at_ms -= 2 * hour_ms) {
        alike = alike && std::abs(state.background.lowest(at_ms) - newest) < alike_mg_l;  // not where NaN
    }
    return alike;
}

// Since the height leapt, half a day ago or more, nearly all that has come of movement arises behind the
// membrane, and the height is still up. A loose membrane does so, too, when the load goes: such a one moved
// more than when fresh before.
bool flutters_since(ProbeState const& state, std::int64_t since_ms, std::int64_t now_ms,
                    std::vector<Shown> const& neighbours) {
    constexpr std::int64_t lasting_ms = 12 * hour_ms;
    constexpr std::int64_t told_after_ms = 4 * hour_ms;  // the height is typical of so many hours
    constexpr double nearly_all = 0.8;                   // of squares. A guess
    if (now_ms - since_ms < lasting_ms || state.height.day_step() <= far_step) {
        return false;
    }
    auto const from_ms = since_ms - told_after_ms;
    auto const grown = state.fluctuation.grown_since(from_ms);
    bool const behind = grown.flutter * grown.flutter - 1.0 > nearly_all * (grown.all * grown.all - 1.0);
    bool const told_loose = tracker(state, Reason::fluctuation).standing() &&
                            tracker(state, Reason::fluctuation).raised_ms() < from_ms;
    // Half of the way, of the logarithm.
    bool const shared = std::any_of(neighbours.begin(), neighbours.end(), [&](Shown const& n) {
        return n.alive && !n.mute && n.state->fluctuation.grown_since(from_ms).all > std::sqrt(grown.all);
    });
    return behind && grown.flutter > least_leap && !grown.loose && !told_loose && !shared;
}

}  // namespace

bool broken(ProbeState& state, std::int64_t now_ms) {
    constexpr std::int64_t day_ms = 24 * hour_ms;
    auto& since_ms = state.hole_by_floor_ms;
    if (standing(state, Reason::membrane_damage)) {
        return state.background.lowest(now_ms) > broken_floor_mg_l;  // not where it is NaN
    }
    if (since_ms == 0) {
        // What the height does in the same hours may be the load's; a day is held against a day below.
        bool const up = state.background.lowest(now_ms) > broken_floor_mg_l;  // asked first: it costs less
        since_ms = up && state.background.leap(now_ms) > 0.0 ? now_ms : 0;
        return false;
    }
    bool const gone = state.background.lowest(now_ms) <= broken_floor_mg_l || now_ms - since_ms > 2 * day_ms;
    since_ms = gone ? 0 : since_ms;
    if (since_ms == 0 || now_ms - since_ms < day_ms || state.height.day_step() <= far_step) {
        return false;
    }
    auto const floor = state.background.floor(now_ms);
    return (floor && floor->level > broken_floor_mg_l) || lowest_agree(state, now_ms);
}

bool reads_more_of_all(ProbeState& state, ProbeSetup const& setup, std::int64_t now_ms,
                       std::vector<Shown> const& neighbours) {
    constexpr std::int64_t blasts_tell_ms = 5 * 24 * hour_ms;  // by then; a guess
    auto& since_ms = state.hole_by_height_ms;
    if (since_ms == 0) {
        bool const leaps = height_step(state) > far_step && state.height.steepest() > far_step &&
                           !neighbours_share_rise(state, neighbours, height_step);
        since_ms = leaps ? now_ms : 0;
        return false;
    }
    bool const told = standing(state, Reason::membrane_damage);
    if (!told && now_ms - since_ms > blasts_tell_ms) {
        since_ms = 0;
        return false;
    }
    double const moves = state.fluctuation.now().value_or(0.0);
    if (!told) {
        bool const flutters = flutters_since(state, since_ms, now_ms, neighbours);
        state.hole_moves_mg_l = flutters ? moves / std::sqrt(least_leap) : 0.0;
    }
    if (state.hole_moves_mg_l > 0.0 && (!told || moves > state.hole_moves_mg_l)) {
        return true;
    }
    auto const in_air = span_case(state, setup);
    double const too_high = 100.0 * (told ? std::sqrt(far_step) : far_step);
    return in_air.probability >= Tracker::sure && *in_air.low > too_high;
}

bool moves_through_hole(ProbeState& state, std::int64_t now_ms, std::vector<Shown> const& neighbours) {
    auto& level_ms = state.hole_by_movement_ms;
    double const leapt = state.fluctuation.leapt();
    if (standing(state, Reason::membrane_damage)) {
        return leapt > 0.0 && !neighbours_share_leap(state, neighbours, leapt);
    }
    if (leapt == 0.0) {
        level_ms = 0;
        return false;
    }
    bool const anyone =
        std::any_of(neighbours.begin(), neighbours.end(), [](Shown const& n) { return n.alive; });
    bool const loose = level_ms == 0 && known_loose(state, now_ms);
    bool const level_too = !loose && level_leap(state) > (anyone ? 1.1 : 1.15) &&
                           !neighbours_share_rise(state, neighbours, level_leap);
    level_ms = level_ms == 0 && level_too ? state.fluctuation.leapt_ms() : level_ms;
    double const lasts = state.fluctuation.leapt_for_long();
    double const flutters = state.fluctuation.flutters_since_leap();
    bool const by_level = level_ms != 0 && lasts > least_leap && flutters > least_flutter;
    bool const alone = lasts > far_leap_alone || std::min(lasts, flutters) > far_flutter_alone;
    bool const far = by_level || (!loose && (anyone ? lasts > far_leap : alone));
    bool const hole = far && !neighbours_share_leap(state, neighbours, lasts);
    level_ms = hole ? state.fluctuation.leapt_ms() : level_ms;
    return hole;
}

}  // namespace probekeeper::diagnosis

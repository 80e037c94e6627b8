#include "diagnosis/cases.h"

#include <algorithm>
#include <cmath>

#include "diagnosis/assumed.h"
#include "estimate/normal.h"

namespace probekeeper::diagnosis {
namespace {

constexpr double day_ms = 86'400'000.0;
constexpr double normal_90 = 1.6448536269514722;  // half-width of a 90 % interval in standard deviations

// A dry zero is written to a hundredth, which rounds by 0.003, and its noise and the last oxygen come to it.
// A guess: who finds 0.11 mg/L where 0.10 is the limit has found too much.
constexpr double dry_zero_error = 0.005;
constexpr std::uint32_t fewest_tests = 4;
// A limit that is to be called passed for where a drift leads is rather passed than not already; more clearly
// where exposures have just taught their own length, for a length that was learned badly looks like a drift
// at first: until four times as many have come as taught it. Guesses.
constexpr double rather_past = 0.5, clearly_past = 0.7;
constexpr std::size_t just_taught = 48;  // exposures

double square(double x) {
    return x * x;
}

double over(double value, double limit, double error) {
    return estimate::normal_cdf((value - limit) / error);
}

void set_interval(Case& c, double value, double error) {
    c.value = value;
    c.low = value - normal_90 * error;
    c.high = value + normal_90 * error;
}

}  // namespace

namespace {

// By its register map, or by its readings: those of a file tell it as they come. One that is missed now and
// then changes nothing.
bool pressure_measured(ProbeState const& state, ProbeSetup const& setup) {
    bool const read =
        state.pressure_ms != 0 && static_cast<double>(state.last_ms - state.pressure_ms) < day_ms;
    return setup.pressure_measured || read;
}

double span_allowed(ProbeState const& state, ProbeSetup const& setup) {
    return pressure_measured(state, setup) ? setup.limits.span_measured_percent : setup.limits.span_percent;
}

}  // namespace

double pressure_error(ProbeState const& state, ProbeSetup const& setup) {
    // Weather moves pressure by up to 3 %; a third of that is its standard deviation. The wider limit of such
    // sites (8 % for 5) allows for most of it already.
    return pressure_measured(state, setup) ? 0.3 : 1.0;
}

namespace {

// Two numbers with these errors, of which a part is common to both.
struct Weights {
    double first, second;
};
constexpr double in_common = 0.5;  // how their errors hang together. A guess

Weights best_weights(double first_error, double second_error) {
    double const shared = in_common * first_error * second_error;
    double const all = square(first_error) + square(second_error) - 2.0 * shared;
    double const second = all > 0.0 ? std::clamp((square(first_error) - shared) / all, 0.0, 1.0) : 0.5;
    return {1.0 - second, second};
}

double error_of(Weights w, double first_error, double second_error) {
    double const a = w.first * first_error, b = w.second * second_error;
    return std::sqrt(square(a) + square(b) + 2.0 * in_common * a * b);
}

// `blasted`: its own are the steps of many blasts.
LevelKnown joined(LevelKnown own, LevelKnown const& other, bool blasted) {
    constexpr double contradicts = 3.0;
    double const apart = std::abs(own.ln_t90 - other.ln_t90);
    if (apart > contradicts * std::hypot(own.error, other.error)) {
        // One of them is wrong. What a neighbour says hangs on its own tests and on the water between, and a
        // blast on neither: of simulated probes, blasts were nearer to the truth at nine in ten. Otherwise
        // nothing tells which.
        if (!blasted) {
            own.error = std::max(own.error, apart / contradicts);
            own.change_error = std::max(own.change_error, apart / contradicts);
        }
        return own;
    }
    auto const w = best_weights(own.error, other.error);
    own.ln_t90 = w.first * own.ln_t90 + w.second * other.ln_t90;
    own.error = error_of(w, own.error, other.error);
    own.change_error = error_of(w, own.change_error, other.change_error);
    return own;
}

std::optional<NeighbourLag::Known> told_by_neighbours(ProbeState const& state, std::int64_t now_ms) {
    constexpr double worst_error = 0.3;  // wider it is no news
    auto const lag = state.by_neighbours.known(now_ms);
    return lag && lag->error < worst_error ? lag : std::nullopt;
}

// Its own tests ended so long before what neighbours say today that they know nothing of it: no
// contradiction.
bool left_behind(ProbeState const& state) {
    constexpr double long_days = 14.0;
    auto const since_ms = state.by_neighbours.newest_ms() - state.trend.newest_test_ms();
    return static_cast<double>(since_ms) > long_days * day_ms;
}

// Of T90 by a neighbour's lag: a film over the membrane and a filter behind it have another part in the one
// than in the other. A guess that the simulated plants bear out.
constexpr double lag_shape_error = 0.08;

}  // namespace

std::optional<LevelKnown> response_known(ProbeState const& state, std::int64_t now_ms) {
    auto const own = state.trend.known(now_ms);
    auto const lag = told_by_neighbours(state, now_ms);
    if (!lag) {
        return own;
    }
    auto const over_lag = state.trend.t90_over_lag();
    LevelKnown other;
    other.ln_t90 = lag->ln_lag + over_lag.ln;
    other.error = std::hypot(lag->error, over_lag.error, lag_shape_error);
    other.change_error = lag->error;
    other.slope_error = 1.0;  // it says nothing of tomorrow
    if (own && left_behind(state)) {
        other.change_error = other.error;  // the fresh value is its own tests', and shares nothing with this
        return other;
    }
    return own ? joined(*own, other, state.trend.blasted()) : other;
}

std::int64_t newest_test_ms(ProbeState const& state) {
    auto const by_neighbours_ms = state.by_neighbours.newest_ms();
    bool const told = told_by_neighbours(state, by_neighbours_ms).has_value();
    return std::max(state.trend.newest_test_ms(), told ? by_neighbours_ms : 0);
}

std::optional<SlowLimit> slow_limit(ProbeState const& state, ProbeSetup const& setup) {
    SlowLimit limit;
    if (auto const learned = state.trend.fresh_ln()) {
        limit.ln_fresh = *learned;
        limit.learned = true;
    } else if (setup.t90_s) {
        limit.ln_fresh = std::log(*setup.t90_s);
    } else {
        return std::nullopt;
    }
    limit.ln_limit = limit.ln_fresh + std::log(setup.limits.t90_ratio);
    return limit;
}

// A membrane in use is a little slower than it was when fresh, and never quicker: slime and a coated anode
// only slow it. How much slower, nobody knows, but more than five times is seldom left in the water. Where
// tests plainly contradict the fresh value, that is wrong. Guesses.
LevelKnown beside_fresh(LevelKnown const& known, SlowLimit const& limit) {
    constexpr double usually_slower = 0.05, far_slower = 0.8, learned_error = 0.1;
    double const more = known.ln_t90 - limit.ln_fresh - usually_slower;
    double const below = limit.learned ? learned_error : nominal_error;
    constexpr double contradicts = 3.0;
    if (more < -contradicts * std::hypot(known.error, below)) {
        return known;
    }
    double const part = square(known.error) / (square(known.error) + square(more < 0.0 ? below : far_slower));
    auto told = known;
    told.ln_t90 -= part * more;
    told.error *= std::sqrt(1.0 - part);
    return told;
}

namespace {

// Slime that is wiped off again and again grows back by the next wipe, and no further: how it grows meanwhile
// is no course that goes on. What wipes leave behind is seen when it is there.
bool kept_down_by_wipes(ProbeState const& state, std::int64_t now_ms) {
    constexpr double given_up = 1.5, shortest_days = 0.5;  // guesses
    double const every = static_cast<double>(state.wipe_every_ms) / day_ms;
    return every > shortest_days && static_cast<double>(now_ms - state.wiped_ms) / day_ms < given_up * every;
}

}  // namespace

std::optional<Crossing> crossing(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms) {
    auto const known = response_known(state, now_ms);
    auto const limit = slow_limit(state, setup);
    if (!known || !limit || known->slope_per_day < 2.0 * known->slope_error ||
        kept_down_by_wipes(state, now_ms)) {
        return std::nullopt;
    }
    double const left = limit->ln_limit - known->ln_t90;
    // Far below the limit a slope says little: coating quickens, and slime comes and goes. At or past it,
    // "soon" and "already" are one question, and the trend still speaks.
    if (left > 0.6 * std::log(setup.limits.t90_ratio)) {
        return std::nullopt;
    }
    // Coating makes T90 itself grow evenly, or quicker as it goes: a straight line of T90, not of its
    // logarithm.
    double const days = std::expm1(left) / known->slope_per_day;
    // Of the way to the limit: a fresh value that was learned errs as today's does, one that is configured by
    // itself.
    double const left_error = limit->learned ? known->change_error : std::hypot(known->error, nominal_error);
    double const days_error = std::hypot(std::exp(left) * left_error / known->slope_per_day,
                                         days * known->slope_error / known->slope_per_day);
    if (days > 20.0 * setup.limits.horizon_days) {
        return std::nullopt;
    }
    Crossing c;
    c.due_ms = now_ms + static_cast<std::int64_t>(std::max(0.0, days) * day_ms);
    c.earliest_ms = now_ms + static_cast<std::int64_t>(std::max(0.0, days - normal_90 * days_error) * day_ms);
    c.latest_ms = now_ms + static_cast<std::int64_t>(std::max(0.0, days + normal_90 * days_error) * day_ms);
    return c;
}

Case found_case(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms) {
    Case c;
    c.unit = "s";
    c.by_found = true;
    auto const known = state.found.known(now_ms);
    auto const limit = slow_limit(state, setup);
    if (!known || (!known->ln_ratio && !limit)) {
        return c;
    }
    double const ln_limit = known->ln_ratio
                                ? known->ln_t90 - *known->ln_ratio + std::log(setup.limits.t90_ratio)
                                : limit->ln_limit;
    double const error =
        known->ln_ratio ? known->ratio_error : std::hypot(known->error, limit->learned ? 0.0 : nominal_error);
    c.value = std::exp(known->ln_t90);
    c.low = std::exp(known->ln_t90 - normal_90 * error);
    c.high = std::exp(known->ln_t90 + normal_90 * error);
    c.limit = std::exp(ln_limit);
    c.probability = over(known->ln_t90, ln_limit, error);
    return c;
}

namespace {

struct Tested {
    LevelKnown known;
    SlowLimit limit;
    // Of the way between them: what is uncertain of a learned fresh value and of today alike cancels.
    double error = 0.0;
};

// Empty where too few tests tell, or there is no limit.
std::optional<Tested> tested(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms) {
    auto const known = response_known(state, now_ms);
    auto const limit = slow_limit(state, setup);
    bool const few = state.trend.tests() < fewest_tests && !told_by_neighbours(state, now_ms);
    if (!known || !limit || few) {
        return std::nullopt;
    }
    return Tested{*known, *limit, limit->learned ? known->change_error : known->error};
}

Case tested_case(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms) {
    Case c;
    c.unit = "s";
    if (auto const t = tested(state, setup, now_ms)) {
        c.value = std::exp(t->known.ln_t90);
        c.low = std::exp(t->known.ln_t90 - normal_90 * t->known.error);
        c.high = std::exp(t->known.ln_t90 + normal_90 * t->known.error);
        c.limit = std::exp(t->limit.ln_limit);
        c.probability = over(t->known.ln_t90, t->limit.ln_limit, t->error);
    }
    return c;
}

}  // namespace

double slow_within(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms, double days) {
    auto const t = tested(state, setup, now_ms);
    if (!t) {
        return -1.0;
    }
    days = kept_down_by_wipes(state, now_ms) ? 0.0 : days;
    // Coating grows evenly in T90 itself, and never backwards but by a service.
    double const grown = 1.0 + days * std::max(t->known.slope_per_day, 0.0);
    // A configured fresh value may be off, and the limit it gives holds all the same while no other is known:
    // of what it is off by, half counts. A guess.
    double const of_limit = t->limit.learned ? 0.0 : 0.5 * nominal_error;
    double const error = std::hypot(t->error, of_limit, days * t->known.slope_error / grown);
    return over(t->known.ln_t90 + std::log(grown), t->limit.ln_limit, error);
}

Case slow_case(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms) {
    auto const tested = tested_case(state, setup, now_ms);
    auto const found = found_case(state, setup, now_ms);
    // Rises tell less than whatever else does, and are heard when that has long been silent.
    constexpr std::int64_t long_ms = 2 * 86'400'000LL;
    bool const newer = state.found.newest_ms() > newest_test_ms(state) + long_ms;
    return newer && found.probability > tested.probability ? found : tested;
}

bool likely_slow(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms) {
    return slow_case(state, setup, now_ms).probability > 0.5;
}

std::optional<BackgroundKnown> background_known(ProbeState const& state, ProbeSetup const& setup,
                                                std::int64_t now_ms) {
    if (!state.in_mg_l) {
        return std::nullopt;
    }
    std::optional<BackgroundKnown> known;
    if (auto const floor = state.background.floor(now_ms)) {
        known = {
            floor->level, floor->error, setup.limits.background_water_mg_l, BackgroundSource::anoxic_floor,
            floor->at_ms, floor->sudden};
    }
    if (state.dry_zero_ms != 0 && (!known || state.dry_zero_ms > known->at_ms)) {
        known = {state.dry_zero_mg_l,        dry_zero_error,    setup.limits.background_mg_l,
                 BackgroundSource::dry_zero, state.dry_zero_ms, false};
    }
    return known;
}

Case background_case(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms) {
    Case c;
    c.unit = "mg/L";
    if (auto const known = background_known(state, setup, now_ms)) {
        set_interval(c, known->level, known->error);
        c.limit = known->limit;
        c.probability = over(std::abs(known->level), known->limit, known->error);
    }
    return c;
}

namespace {

// The water moves its neighbours too: beyond what they gain by it, a gain is the probe's own.
double own_movement(ProbeState const& state, FluctuationWatch::Gained const& gained) {
    // They may respond less than this one, and some of it may hide in their rounding. Guesses.
    constexpr double slower = 1.5, hidden = 0.25;
    double const shared = std::max(1.0, state.neighbours_ratio);
    double const theirs = square(state.neighbours_movement) * (1.0 + hidden - 1.0 / square(shared));
    double const own = theirs > 0.0 ? square(gained.all) - square(slower) * theirs : 0.0;
    return std::max(gained.at_usual_level, std::sqrt(std::max(0.0, own)));
}

}  // namespace

Case fluctuation_case(ProbeState const& state, ProbeSetup const& setup) {
    Case c;
    c.unit = "mg/L";
    auto const gained = state.fluctuation.gained();
    auto const fresh = state.fluctuation.fresh();
    if (!gained || !fresh) {
        return c;
    }
    double const error = std::hypot(state.fluctuation.today_error(), 0.07);
    // What the neighbours' readings have gained in movement is the water's, and adds up in its square.
    double const shared = std::max(1.0, state.neighbours_ratio);
    double const value = std::hypot(*fresh, own_movement(state, *gained));
    c.value = value;
    c.low = value * std::exp(-normal_90 * error);
    c.high = value * std::exp(normal_90 * error);
    c.limit = *fresh * std::sqrt(square(setup.limits.fluctuation_ratio) + square(shared) - 1.0);
    c.probability = over(std::log(value), std::log(*c.limit), error);
    return c;
}

namespace {

// Of what should be 100 %: by `percent`, and how surely it is further from that than `allowed`.
Case away_from_right(double percent, double error, double allowed) {
    Case c;
    c.unit = "%";
    set_interval(c, percent, error);
    c.limit = 100.0 + std::copysign(allowed, percent - 100.0);
    c.probability = over(std::abs(percent - 100.0), allowed, error);
    return c;
}

Case unknown_percent() {
    Case c;
    c.unit = "%";
    return c;
}

}  // namespace

Case span_case(ProbeState const& state, ProbeSetup const& setup) {
    auto const known = state.span.known(pressure_error(state, setup));
    if (!known) {
        return unknown_percent();
    }
    double const allowed = span_allowed(state, setup);
    auto c = away_from_right(known->percent, known->error, allowed);
    double const now = c.probability;
    double const ahead = over(std::abs(known->ahead_percent - 100.0), allowed, known->ahead_error);
    // One that is rather past its limit than within it, and by its drift surely will be soon.
    // The blasts of a probe that slows show less and less of the way, and what they miss of it looks like
    // a drift.
    bool const slows = standing(state, Reason::slow_response);
    bool const learning = !known->absolute && known->exposures < just_taught;
    c.by_drift = !slows && now > (learning ? clearly_past : rather_past) && ahead > now;
    c.probability = c.by_drift ? ahead : now;
    return c;
}

Case settled_case(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms) {
    double const allowed = 2.0 * span_allowed(state, setup);
    auto const known = state.span.after_service(now_ms, pressure_error(state, setup));
    auto const in_air = known ? away_from_right(known->percent, known->error, allowed) : unknown_percent();
    auto const apart = state.apart.since_service();
    if (!apart) {
        return in_air;
    }
    auto beside = away_from_right(100.0 * (1.0 + apart->part), 100.0 * apart->error, allowed);
    beside.by_neighbours = true;
    return beside.probability > in_air.probability ? beside : in_air;
}

bool reads_as_calibrated(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms) {
    auto const known = state.span.after_service(now_ms, pressure_error(state, setup));
    if (!known) {
        return false;
    }
    // A new membrane rests some thirteen percent from where it should, give or take five; one that was set,
    // within one or two (common practice, no source). Where nothing else tells, either is as likely
    // beforehand.
    constexpr double usually_off = 13.0, off_spread = 5.0, set_spread = 1.5, sure_enough = 0.8;
    double const off = std::abs(known->percent - 100.0);
    auto const density = [&](double from, double spread) {
        double const error = std::hypot(spread, known->error);
        return std::exp(-0.5 * (off - from) * (off - from) / (error * error)) / error;
    };
    double const set = density(0.0, set_spread), not_set = density(usually_off, off_spread);
    return set > sure_enough * (set + not_set);
}

Case reference_case(ProbeState const& state, ProbeSetup const& setup) {
    // Both are written to a hundredth: what differs by just what is allowed does not differ by more.
    constexpr double half_a_digit = 0.005;
    Case c;
    c.unit = "mg/L";
    if (auto const check = state.span.reference()) {
        double const allowed =
            std::max(setup.limits.reference_percent / 100.0 * check->reference, setup.limits.reference_mg_l);
        double const difference = check->probe - check->reference;
        c.value = difference;
        c.limit = std::copysign(allowed, difference);
        c.probability = std::abs(difference) > allowed + half_a_digit ? 0.99 : 0.0;
    }
    return c;
}

std::int64_t newest_evidence_ms(ProbeState const& state) {
    return std::max(newest_test_ms(state), state.checked_ms);
}

bool unchecked_since_return(ProbeState const& state) {
    return state.returned_ms != 0 && newest_evidence_ms(state) < state.returned_ms;
}

}  // namespace probekeeper::diagnosis

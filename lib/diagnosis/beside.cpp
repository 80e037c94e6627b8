// One probe beside another in the same water: what each shows of its response, and what comes of comparing
// them.
#include <algorithm>
#include <cmath>
#include <limits>
#include <vector>

#include "diagnosis/assumed.h"
#include "diagnosis/probe.h"
#include "electrode/temperature.h"
#include "estimate/robust.h"

namespace probekeeper::diagnosis {
namespace {

constexpr std::uint32_t fewest_tests_of_neighbour = 4;

// What may move for other reasons than the water is no measure of it.
bool shows_the_water(ProbeState const& state) {
    return !state.service.busy() && !any_standing(state, {Reason::membrane_damage, Reason::stuck,
                                                          Reason::no_signal, Reason::not_settled});
}

// ln of what brings T90 in this water to 20 degC.
double ln_to_20(ProbeState const& state) {
    double const lent_c =
        std::isnan(state.lent_temperature_c) ? usual_temperature_c : state.lent_temperature_c;
    double const temperature_c = state.temperature_seen ? state.plausible_temperature_c : lent_c;
    return state.trend.temperature_share() * std::log(electrode::t90_at_20(1.0, temperature_c));
}

// NaN where nobody reads any that water can have.
double typical_temperature(std::vector<Shown> const& others) {
    std::vector<double> values;
    for (auto const& o : others) {
        if (o.alive && plausible_temperature(o.temperature_c)) {
            values.push_back(o.temperature_c);
        }
    }
    return values.empty() ? std::numeric_limits<double>::quiet_NaN() : estimate::median_inplace(values);
}

}  // namespace

NeighbourShown response_shown(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms) {
    constexpr std::int64_t recent_ms = 10 * 86'400'000LL;
    NeighbourShown out;
    out.samples = &state.capture.samples();
    out.in_water_since_ms =
        state.capture.in_water_since_ms(now_ms, t90_guess(state, setup, state.last_temperature_c));
    out.poll_s = setup.poll_s;
    out.loose = standing(state, Reason::fluctuation);
    auto const lag = state.trend.lag(now_ms);
    if (lag && now_ms - state.trend.newest_test_ms() < recent_ms &&
        state.trend.tests() >= fewest_tests_of_neighbour) {
        out.lag_s = std::exp(lag->ln - ln_to_20(state));
        out.lag_error_s = out.lag_s * lag->error;
        out.usable = shows_the_water(state);
    }
    return out;
}

void lend_temperature(ProbeState& state, std::vector<Shown> const& neighbours,
                      std::vector<Shown> const& site) {
    state.lent_by_neighbours = true;
    state.lent_temperature_c = typical_temperature(neighbours);
    if (std::isnan(state.lent_temperature_c)) {
        state.lent_by_neighbours = false;
        state.lent_temperature_c = typical_temperature(site);
    }
}

std::optional<ResponseTest> compare_with(ProbeState& state, ProbeSetup const& setup,
                                         NeighbourShown const& other, std::int64_t now_ms) {
    constexpr std::int64_t window_ms = 3'600'000;
    constexpr double least_bin_s = 60.0;
    // Of the neighbour's lag: less is left of it than what is unknown.
    constexpr double least_part = 0.25;
    if (!other.usable || !shows_the_water(state)) {
        return std::nullopt;
    }
    auto const own = response_shown(state, setup, now_ms);
    auto const from_ms = std::max({now_ms - window_ms, own.in_water_since_ms, other.in_water_since_ms});
    double const bin_s = std::max({least_bin_s, 2.0 * own.poll_s, 2.0 * other.poll_s});
    auto const seen = behind(*own.samples, *other.samples, from_ms, now_ms, bin_s);
    if (!seen || other.lag_s + seen->lag_s < least_part * other.lag_s) {
        return std::nullopt;
    }
    // The slower one's steepness is what the lag is told by: what a loose membrane adds to it would pass for
    // the water. What it adds to the quicker one hangs together with no steepness.
    bool const slower_is_loose = seen->lag_s > 0.0 ? own.loose : other.loose;
    if (slower_is_loose) {
        return std::nullopt;
    }
    double const lag_s = other.lag_s + seen->lag_s;
    double const to_20 = ln_to_20(state);
    NeighbourLag::Hour const hour{std::log(lag_s) + to_20, seen->error_s / lag_s, other.lag_error_s / lag_s};
    state.by_neighbours.take(now_ms, hour);
    if (auto const known = state.by_neighbours.known(now_ms)) {
        state.trend.heard_lag(now_ms, {known->ln_lag, known->error});
    }
    auto const over_lag = state.trend.t90_over_lag();
    ResponseTest test;
    test.time = from_unix_ms(now_ms);
    test.source = TestSource::neighbour;
    test.model = state.trend.model();
    test.t90_20_s = std::exp(hour.ln_lag + over_lag.ln);
    test.t90_s = test.t90_20_s * std::exp(-to_20);
    double const ln_error = std::hypot(hour.own_error, hour.other_error, over_lag.error);
    double const spread = std::exp(1.645 * std::min(ln_error, 3.0));
    test.low_s = test.t90_s / spread;
    test.high_s = test.t90_s * spread;
    if (state.temperature_seen) {
        test.at_temperature_c = state.plausible_temperature_c;
    }
    test.used = true;
    return test;
}

}  // namespace probekeeper::diagnosis

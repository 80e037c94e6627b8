#include "diagnosis/cases.h"

#include <catch2/catch.hpp>
#include <cmath>

using namespace probekeeper::diagnosis;

namespace {

constexpr std::int64_t hour_ms = 3'600'000;
constexpr int days_tested = 20;
constexpr std::int64_t now_ms = 24 * days_tested * hour_ms;

// Three blasts a day of a probe that slows by `per_day` (of ln T90) and is `now_s` slow today.
// `new_membrane`: on the first day. `wipe_days`: it is wiped every so many days; 0: never.
ProbeState tested(double per_day, double now_s, bool new_membrane = false, int wipe_days = 0) {
    ProbeState state;
    state.trend.new_life(0, new_membrane);
    ResponseFit fit;
    fit.ln_error = 0.05;
    for (int i = 1; i <= 3 * days_tested; ++i) {
        auto const at_ms = 8 * i * hour_ms;
        if (wipe_days > 0 && i % (3 * wipe_days) == 0) {
            Handling wipe;
            wipe.time = probekeeper::from_unix_ms(at_ms - hour_ms);
            wipe.act = Act::membrane_wipe;
            handle(state, wipe);
        }
        double const t90_s = now_s * std::exp(per_day * (i / 3.0 - days_tested));
        fit.tau_s = t90_s / std::log(10.0);
        fit.ln_t90_first_order = fit.ln_t90_membrane = std::log(t90_s);
        fit.membrane_evidence = -1.0;
        state.trend.take(at_ms, TestSource::cleaning, 0.0, fit, 50.0);
        state.trend.settle(at_ms);
    }
    return state;
}

}  // namespace

TEST_CASE("a probe that slows is likely to pass its limit in the days that are left to it, not before",
          "[diagnosis][cases]") {
    ProbeSetup setup;
    setup.t90_s = 50.0;
    auto const state = tested(0.04, 80.0);
    auto const limit_s = *slow_case(state, setup, now_ms).limit;
    auto const value_s = *slow_case(state, setup, now_ms).value;
    double const days_left = (limit_s / value_s - 1.0) / 0.04;
    CHECK(slow_within(state, setup, now_ms, 0.0) < 0.1);
    CHECK(slow_within(state, setup, now_ms, 0.3 * days_left) < 0.4);
    CHECK(slow_within(state, setup, now_ms, days_left) == Approx(0.5).margin(0.2));
    CHECK(slow_within(state, setup, now_ms, 3.0 * days_left) > 0.8);
}

TEST_CASE("a steady probe is not expected to pass its limit, and one without tests is not judged",
          "[diagnosis][cases]") {
    ProbeSetup setup;
    setup.t90_s = 50.0;
    CHECK(slow_within(tested(0.0, 60.0), setup, now_ms, 10.0) < 0.2);
    CHECK(slow_within(ProbeState{}, setup, now_ms, 10.0) < 0.0);
}

TEST_CASE("what grows back from wipe to wipe is not expected to go on, until the wipes have stopped",
          "[diagnosis][cases]") {
    ProbeSetup setup;
    setup.t90_s = 50.0;
    auto const wiped = tested(0.04, 72.0, false, 6);
    CHECK(slow_within(wiped, setup, now_ms, 7.0) == slow_within(wiped, setup, now_ms, 0.0));
    CHECK_FALSE(crossing(wiped, setup, now_ms));
    auto const later_ms = now_ms + 8 * 24 * hour_ms;
    CHECK(slow_within(wiped, setup, later_ms, 7.0) > slow_within(wiped, setup, later_ms, 0.0) + 0.05);
    auto const once = tested(0.04, 72.0, false, 12);  // no rhythm
    CHECK(slow_within(once, setup, now_ms, 7.0) > slow_within(once, setup, now_ms, 0.0) + 0.05);
}

TEST_CASE("tests that ended weeks ago do not contradict what neighbours say today", "[diagnosis][cases]") {
    constexpr std::int64_t day_ms = 24 * hour_ms;
    auto const says = [](ProbeState& state, std::int64_t at_ms) {
        for (int hour = 0; hour < 8; ++hour) {
            state.by_neighbours.take(at_ms + hour * hour_ms, {std::log(250.0 / std::log(10.0)), 0.04, 0.05});
        }
        return response_known(state, at_ms + 8 * hour_ms);
    };
    auto soon = tested(0.0, 50.0), late = soon;
    CHECK(std::exp(says(soon, now_ms + day_ms)->ln_t90) < 100.0);  // one of them is wrong
    auto const known = says(late, now_ms + 20 * day_ms);
    CHECK(std::exp(known->ln_t90) == Approx(250.0).epsilon(0.05));
    CHECK(known->error < 0.2);
}

TEST_CASE("however well a neighbour tells the lag, the T90 that it stands for is less sure",
          "[diagnosis][cases]") {
    ProbeState state;
    for (int hour = 0; hour < 8; ++hour) {
        state.by_neighbours.take(now_ms + hour * hour_ms, {std::log(20.0), 0.01, 0.01});
    }
    auto const lag = state.by_neighbours.known(now_ms + 8 * hour_ms);
    REQUIRE(lag);
    double const by_kind = state.trend.t90_over_lag().error;
    CHECK(response_known(state, now_ms + 8 * hour_ms)->error > std::hypot(lag->error, by_kind, 0.05));
}

TEST_CASE("what neighbours say against many blasts moves nothing, nor makes it unsure",
          "[diagnosis][cases]") {
    auto state = tested(0.0, 50.0);
    for (int hour = 0; hour < 8; ++hour) {
        state.by_neighbours.take(now_ms + hour * hour_ms, {std::log(150.0 / std::log(10.0)), 0.04, 0.05});
    }
    auto const known = response_known(state, now_ms + 8 * hour_ms);
    auto const alone = state.trend.known(now_ms + 8 * hour_ms);
    CHECK(known->ln_t90 == Approx(alone->ln_t90).margin(0.01));
    CHECK(known->error < 1.1 * alone->error);
}

TEST_CASE("what a loose membrane has bent is no forecast", "[diagnosis][cases]") {
    bool const loose = GENERATE(false, true);
    CAPTURE(loose);
    ProbeSetup setup;
    auto state = tested(0.032, 90.0, true);
    state.first_ms = hour_ms;
    setup.t90_s = 50.0;
    double const ahead = slow_within(state, setup, now_ms, 7.0);
    REQUIRE(ahead > 0.8);
    REQUIRE(slow_case(state, setup, now_ms).probability < 0.8);
    auto& fluctuation = tracker(state, Reason::fluctuation);
    if (loose) {
        fluctuation.take(now_ms, 0.99, {});
    }
    for (int hour = 1; hour <= 30; ++hour) {
        state.last_ms = now_ms + hour * hour_ms;
        weigh(state, setup, state.last_ms, {}, {});
    }
    CHECK(standing(state, Reason::slow_response) != loose);
}

TEST_CASE("a slow coating is told as it reaches the limit, and a probe that rests below it is not",
          "[diagnosis][cases]") {
    bool const coats = GENERATE(false, true);
    CAPTURE(coats);
    ProbeSetup setup;
    setup.t90_s = 50.0;
    double const limit_s = setup.limits.t90_ratio * *setup.t90_s;
    auto state = coats ? tested(0.014, 0.98 * limit_s) : tested(0.0, 0.85 * limit_s);
    state.first_ms = hour_ms;
    for (int hour = 1; hour <= 30; ++hour) {
        state.last_ms = now_ms + hour * hour_ms;
        weigh(state, setup, state.last_ms, {}, {});
    }
    REQUIRE(slow_case(state, setup, state.last_ms).probability < 0.8);
    CHECK(standing(state, Reason::slow_response) == coats);
}

TEST_CASE("a drift that is rather past its limit counts for where it will be in days", "[diagnosis][cases]") {
    double const a_day = GENERATE(0.0, 0.25);
    CAPTURE(a_day);
    ProbeState state;
    ProbeSetup setup;
    setup.pressure_measured = true;
    for (int i = 1; i <= 3 * days_tested; ++i) {
        double const days_left = days_tested - i / 3.0;
        state.span.exposure(8 * i * hour_ms, {107.2 - a_day * days_left, 1.0, 0.1, true});
    }
    auto const drift = span_case(state, setup);
    CHECK(drift.probability > 0.5);
    CHECK(drift.by_drift == (a_day > 0.0));
}

TEST_CASE("a forecast against a configured fresh value is less sure than one against a learned one",
          "[diagnosis][cases]") {
    ProbeSetup setup;
    auto const learned = tested(0.03, 90.0, true), configured = tested(0.03, 90.0);
    setup.t90_s = *slow_case(learned, setup, now_ms).limit / setup.limits.t90_ratio;
    CHECK(*slow_case(configured, setup, now_ms).limit == Approx(*slow_case(learned, setup, now_ms).limit));
    double const by_learned = slow_within(learned, setup, now_ms, 10.0);
    double const by_configured = slow_within(configured, setup, now_ms, 10.0);
    CHECK(by_learned > 0.8);
    CHECK(by_configured > 0.5);
    CHECK(by_configured < by_learned - 0.05);
}

TEST_CASE("a membrane is not told to be quicker than it was when fresh by tests that tell little",
          "[diagnosis][cases]") {
    SlowLimit limit;
    limit.ln_fresh = std::log(30.0);
    limit.learned = true;
    auto const told = [&limit](double t90_s, double error) {
        LevelKnown known;
        known.ln_t90 = std::log(t90_s);
        known.error = error;
        return beside_fresh(known, limit);
    };
    CHECK(std::exp(told(15.0, 0.4).ln_t90) > 28.0);
    CHECK(told(15.0, 0.4).error < 0.2);
    // Unless they are sure of it: then the fresh value is as likely to be wrong.
    CHECK(std::exp(told(27.0, 0.04).ln_t90) < 28.0);
    // One that is slow stays so.
    CHECK(std::exp(told(75.0, 0.1).ln_t90) == Approx(75.0).epsilon(0.02));
    CHECK(std::exp(told(75.0, 0.4).ln_t90) > 60.0);
}

TEST_CASE("what found rises alone make likely is no forecast: they must be sure", "[diagnosis][cases]") {
    double const late_s = GENERATE(55.0, 90.0);
    CAPTURE(late_s);
    ProbeSetup setup;
    setup.t90_s = 40.0;
    ProbeState state;
    state.first_ms = hour_ms;
    ResponseFit rise;
    rise.late_s = late_s;
    rise.ln_error = 0.1;
    rise.step = 3.0;
    double over = 0.0;
    for (int hour = 1; hour <= 24 * 10; ++hour) {
        auto const at_ms = hour * hour_ms;
        state.found.take(at_ms, 0.0, rise, 9.0);
        state.last_ms = at_ms;
        weigh(state, setup, at_ms, {}, {});
        over = slow_case(state, setup, at_ms).probability;
    }
    bool const sure = late_s > 60.0;
    REQUIRE((over > Tracker::sure) == sure);
    REQUIRE(over > 0.7);
    CHECK(standing(state, Reason::slow_response) == sure);
}

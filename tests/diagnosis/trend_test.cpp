#include "diagnosis/trend.h"

#include <catch2/catch.hpp>
#include <cmath>
#include <utility>

#include "electrode/first_order.h"
#include "electrode/membrane.h"

namespace electrode = probekeeper::electrode;
using namespace probekeeper::diagnosis;

namespace {

constexpr std::int64_t hour_ms = 3'600'000;

// A day of declines, one an hour, each as late.
Trend after_a_day_of_declines(double late_s, double nominal_s) {
    Trend trend;
    ResponseFit fit;
    fit.late_s = late_s;
    fit.late_error_s = 2.5;
    fit.tau_s = late_s;
    for (int hour = 1; hour <= 36; ++hour) {
        auto const at_ms = hour * hour_ms;
        trend.take(at_ms, TestSource::aeration_off, 0.0, fit, nominal_s);
        trend.settle(at_ms);
    }
    return trend;
}

}  // namespace

TEST_CASE("the T90 that is configured tells the aerator's delay of a probe whose age nobody wrote down") {
    auto const told = after_a_day_of_declines(45.0, 50.0);
    auto const untold = after_a_day_of_declines(45.0, 0.0);
    CHECK(untold.delay_s() == Approx(10.0));
    CHECK(told.delay_s() > 12.0);
    CHECK(told.delay_error_s() < 0.9 * untold.delay_error_s());
    // It does not replace what the tests say: a probe that is twice as late is not taken for a fresh one.
    CHECK(after_a_day_of_declines(90.0, 50.0).known(36 * hour_ms)->ln_t90 > std::log(1.8 * 50.0));
}

TEST_CASE("what stops of the air tell alone is right to a quarter, and more narrowly of a slower probe") {
    auto const quick = after_a_day_of_declines(45.0, 0.0), slow = after_a_day_of_declines(90.0, 0.0);
    double const of_quick = quick.known(36 * hour_ms)->error, of_slow = slow.known(36 * hour_ms)->error;
    CHECK(of_quick < 0.24);
    CHECK(of_slow < 0.75 * of_quick);
}

namespace {

// Two days of declines whose moment nothing told, of which every other one says `apart` times as much.
Trend after_found_declines(double tau_s, double apart, double ln_error = 0.2) {
    Trend trend;
    ResponseFit fit;
    fit.onset_found = true;
    fit.ln_error = ln_error;
    for (int hour = 1; hour <= 48; ++hour) {
        fit.tau_s = tau_s * (hour % 2 == 0 ? apart : 1.0);
        trend.take(hour * hour_ms, TestSource::aeration_off, 0.0, fit, 0.0);
    }
    return trend;
}

}  // namespace

TEST_CASE("declines whose moment nothing told tell the lag where they agree") {
    auto const agree = after_found_declines(30.0, 1.1);
    auto const known = agree.known(48 * hour_ms);
    REQUIRE(known);
    // Half way between the kinds of response, and the kind and what they share stay open.
    CHECK(std::exp(known->ln_t90) == Approx(31.5 * 2.05).epsilon(0.05));
    CHECK(known->error > 0.15);
    CHECK(agree.newest_declared_ms() == 0);  // the search for more goes on
    CHECK_FALSE(after_found_declines(30.0, 3.0).known(48 * hour_ms));
    CHECK_FALSE(after_found_declines(30.0, 1.1, 0.8).known(48 * hour_ms));
    CHECK(after_found_declines(30.0, 3.0).newest_test_ms() == 0);
}

namespace {

// Blasts three times a day for `days`, of a probe that slows by `per_day` (ln).
Trend after_blasts(double per_day, int days, CoatingPrior const& prior) {
    Trend trend;
    ResponseFit fit;
    fit.ln_error = 0.1;
    for (int i = 1; i <= 3 * days; ++i) {
        auto const at_ms = 8 * i * hour_ms + i;
        fit.tau_s = 20.0 * std::exp(per_day * i / 3.0);
        trend.take(at_ms, TestSource::cleaning, 0.0, fit, 0.0, prior);
        trend.settle(at_ms + 9 * hour_ms);
    }
    return trend;
}

}  // namespace

TEST_CASE("how quickly other probes coated sharpens the slope of one with few tests, and yields to many") {
    CoatingPrior const fleet{0.03, 0.01};
    constexpr std::int64_t day_ms = 24 * hour_ms;
    auto const young = after_blasts(0.03, 4, fleet).known(4 * day_ms);
    auto const unaided = after_blasts(0.03, 4, {}).known(4 * day_ms);
    CHECK(young->slope_error < 0.8 * unaided->slope_error);
    CHECK(std::abs(young->slope_per_day - 0.03) < std::abs(unaided->slope_per_day - 0.03));
    // One that does not coat is not talked into it.
    auto const other = after_blasts(0.0, 40, fleet).known(40 * day_ms);
    CHECK(std::abs(other->slope_per_day) < 0.01);
}

TEST_CASE("rises follow a probe that slows, once its water's own habit is known, and set no level alone") {
    Trend alone, beside;
    ResponseFit step, rise;
    step.ln_error = 0.05;
    step.tau_s = 20.0;
    rise.late_error_s = 2.0;
    rise.tau_s = 20.0;
    auto const at = [](int i) { return static_cast<std::int64_t>(i) * hour_ms; };
    for (int i = 1; i <= 24 * 8; ++i) {
        rise.late_s = 40.0;  // 20 s of it the probe's
        beside.take(at(i), TestSource::cleaning, 0.0, step, 0.0);
        beside.take(at(i), TestSource::aeration_on, 0.0, rise, 0.0);
        alone.take(at(i), TestSource::aeration_on, 0.0, rise, 0.0);
        beside.settle(at(i));
        alone.settle(at(i));
    }
    CHECK_FALSE(alone.known(at(24 * 8)));
    double const before = beside.known(at(24 * 8))->ln_t90;
    CHECK(beside.lag_s(TestSource::aeration_on, rise) == Approx(20.0).epsilon(0.3));
    for (int i = 24 * 8 + 1; i <= 24 * 32; ++i) {
        // Twice as slow within 24 days, and no blast any more to tell it.
        rise.late_s = 20.0 + 20.0 * std::exp(std::log(2.0) * (i - 24 * 8) / (24.0 * 24.0));
        beside.take(at(i), TestSource::aeration_on, 0.0, rise, 0.0);
        beside.settle(at(i));
    }
    auto const after = beside.known(at(24 * 32));
    CHECK(after->ln_t90 > before + 0.35);
    CHECK(after->ln_t90 < before + 1.0);
}

namespace {

// What an edge of the air tells each hour, and a blast every eight hours, if it has a cleaner.
struct Daily {
    double tail_s = 0.0;  // of a blast; 0: no cleaner
    double late_s = 0.0;
    double membrane_evidence = 0.0;  // of a decline
};

void live(Trend& trend, Daily const& daily, int hours) {
    ResponseFit step, decline;
    step.tau_s = daily.tail_s;
    step.ln_error = 0.05;
    decline.late_s = decline.tau_s = daily.late_s;
    decline.late_error_s = 2.0;
    decline.membrane_evidence = daily.membrane_evidence;
    for (int hour = 1; hour <= hours; ++hour) {
        trend.take(hour * hour_ms, TestSource::aeration_off, 0.0, decline, 0.0);
        if (daily.tail_s > 0.0 && hour % 8 == 0) {
            trend.take(hour * hour_ms, TestSource::cleaning, 0.0, step, 0.0);
        }
        trend.settle(hour * hour_ms);
    }
}

}  // namespace

TEST_CASE("declines that agree on the kind of response tell what their lag is as T90") {
    double const evidence = GENERATE(-1.5, 1.5);
    Trend trend, unsure;
    live(trend, {0.0, 50.0, evidence}, 96);
    live(unsure, {0.0, 50.0, 0.0}, 96);
    double const lag_s = 50.0 - trend.delay_s();
    bool const membrane = evidence > 0.0;
    CHECK(trend.model() == (membrane ? ResponseModel::membrane : ResponseModel::first_order));
    CHECK(std::exp(trend.known(96 * hour_ms)->ln_t90) ==
          Approx(lag_s * (membrane ? electrode::membrane_t90_over_mean : electrode::first_order_t90_over_tau))
              .epsilon(0.03));
    CHECK(trend.t90_over_lag().error < 0.6 * unsure.t90_over_lag().error);
}

TEST_CASE("the kind of response tells the mean lag from a tail that was seen once") {
    // A membrane whose tail was seen at the begin: the lag behind a ramp is 1.645 times as much.
    Trend trend;
    ResponseFit step;
    step.tau_s = 20.0;
    step.ln_error = 0.3;
    trend.take(hour_ms / 2, TestSource::air_exposure, 0.0, step, 0.0);
    live(trend, {0.0, 10.0 + 30.0 * 1.645, 1.5}, 240);
    auto const known = trend.known(240 * hour_ms);
    // It has become 30 s, which only the declines tell.
    CHECK(std::exp(known->ln_t90) == Approx(30.0 * electrode::membrane_t90_over_tail).epsilon(0.15));
}

TEST_CASE("a probe that blasts test tells another in the same water the aerator's delay") {
    Trend tested, other;
    live(tested, {20.0, 20.0 + 18.0, -1.5}, 240);
    live(other, {0.0, 40.0 + 18.0, -1.5}, 240);
    CHECK_FALSE(other.aerator());
    auto const told = tested.aerator();
    REQUIRE(told);
    CHECK(told->s == Approx(18.0).margin(2.0));
    double const before_s = std::exp(other.known(240 * hour_ms)->ln_t90);
    other.heard_delay(*told);
    CHECK(other.delay_s() == Approx(18.0).margin(3.0));
    CHECK(other.delay_error_s() < 4.0);
    // What is the aerator's is not the probe's.
    double const after_s = std::exp(other.known(240 * hour_ms)->ln_t90);
    CHECK(after_s < before_s - 8.0);
    CHECK(after_s == Approx(40.0 * electrode::first_order_t90_over_tau).epsilon(0.1));
    // The same news twice is no more.
    double const error_s = other.delay_error_s();
    other.heard_delay(*told);
    CHECK(other.delay_error_s() == error_s);
}

TEST_CASE("declines that are later than the tails of blasts by a membrane's lag tell its kind") {
    auto const [later, membrane] = GENERATE(std::pair{1.0, false}, std::pair{1.645, true});
    CAPTURE(later);
    constexpr double tail_s = 40.0;
    Trend trend;
    ResponseFit step, decline;
    step.tau_s = tail_s;
    step.ln_error = 0.05;
    step.ln_t90_first_order = std::log(tail_s * electrode::first_order_t90_over_tau);
    step.ln_t90_membrane = std::log(tail_s * electrode::membrane_t90_over_tail);
    step.membrane_evidence = -1.0;  // and no bit told their ends
    step.ends_found = true;
    decline.late_s = decline.tau_s = 10.0 + later * tail_s;
    decline.late_error_s = 2.0;
    for (int hour = 1; hour <= 240; ++hour) {
        trend.take(hour * hour_ms, TestSource::aeration_off, 0.0, decline, 0.0);
        if (hour % 4 == 0) {
            trend.take(hour * hour_ms, TestSource::cleaning, 0.0, step, 0.0);
        }
        trend.settle(hour * hour_ms);
    }
    CHECK((trend.membrane_probability() > 0.3) == membrane);
    CHECK((trend.membrane_probability() < 0.05) != membrane);
}

TEST_CASE("what is unknown of a response grows as long as nothing tests it") {
    auto const trend = after_a_day_of_declines(50.0, 0.0);
    auto const after = [&](int days) { return *trend.known((36 + 24 * days) * hour_ms); };
    CHECK(after(30).ln_t90 == Approx(after(20).ln_t90));
    CHECK(after(20).error > after(10).error + 0.1);
    CHECK(after(30).error > after(20).error + 0.1);
    CHECK(after(30).change_error > after(20).change_error + 0.1);
}

namespace {

// A day of blasts, two an hour.
Trend after_blasts(double t90_s) {
    Trend trend;
    ResponseFit step;
    step.tau_s = t90_s / electrode::first_order_t90_over_tau;
    step.ln_error = 0.03;
    for (int half = 1; half <= 48; ++half) {
        trend.take(half * hour_ms / 2, TestSource::cleaning, 0.0, step, 0.0);
        trend.settle(half * hour_ms / 2);
    }
    return trend;
}

double t90_s(Trend const& trend, std::int64_t at_ms) {
    return std::exp(trend.response(at_ms)->ln);
}

}  // namespace

TEST_CASE("no number of blasts tells a quick probe from the flush of its water and air") {
    // Half way between the kinds of response, which leaves the same open of both.
    auto const quick = *after_blasts(20.0).response(24 * hour_ms),
               slow = *after_blasts(200.0).response(24 * hour_ms);
    double const more = quick.error * quick.error - slow.error * slow.error;
    CHECK(std::sqrt(more) == Approx(0.1).margin(0.03));
    CHECK(quick.ln - slow.ln == Approx(std::log(0.1)));
}

TEST_CASE("of what a blasted probe tells of the aerator, what lags beside its membrane stays open") {
    Trend tested;
    live(tested, {60.0, 60.0 + 18.0, -1.5}, 240);
    auto const told = tested.aerator();
    REQUIRE(told);
    CHECK(told->error_s > 5.0);
}

TEST_CASE("where one kind of response does not fit a blast at all, the other one tells T90") {
    Trend trend;
    ResponseFit blast;
    blast.tau_s = 17.0;
    blast.ln_error = 0.1;
    blast.ln_t90_first_order = std::log(7.0);
    blast.ln_t90_membrane = std::log(50.0);
    blast.membrane_evidence = 3.0;
    for (int hour = 1; hour <= 48; ++hour) {
        trend.take(hour * hour_ms, TestSource::air_exposure, 0.0, blast, 0.0);
        trend.settle(hour * hour_ms);
    }
    CHECK(t90_s(trend, 48 * hour_ms) == Approx(50.0).epsilon(0.1));
}

TEST_CASE("the surer ones of declines of which many are too uncertain tell nothing") {
    auto const known = [](int unsure_of_ten) {
        Trend trend;
        ResponseFit fit;
        fit.late_s = fit.tau_s = 40.0;
        fit.late_error_s = 8.0;
        for (int i = 1; i <= 60; ++i) {
            if (i % 10 < unsure_of_ten) {
                trend.saw_unsure_decline();
            } else {
                trend.take(i * hour_ms / 2, TestSource::aeration_off, 0.0, fit, 0.0);
            }
            trend.settle(i * hour_ms / 2);
        }
        return trend.known(30 * hour_ms).has_value();
    };
    CHECK(known(1));
    CHECK_FALSE(known(6));
}

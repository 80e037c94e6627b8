#include "diagnosis/trend.h"

#include <catch2/catch.hpp>
#include <cmath>

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

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

#include "diagnosis/air_fall.h"

#include <catch2/catch.hpp>
#include <cmath>
#include <limits>

namespace probekeeper::diagnosis {
namespace {

constexpr std::int64_t start_ms = 1'000'000'000;

// A blower that is told to stop at 0 s, does so after a dead time and runs down, read every so many seconds.
AirFall run_down(double dead_s, double run_s, double every_s, double left = 0.0) {
    AirFall fall;
    for (double t = -100.0; t < 200.0; t += every_s) {
        double const since = std::max(t - dead_s, 0.0);
        fall.take(start_ms + static_cast<std::int64_t>(1000.0 * t),
                  left + (300.0 - left) * std::exp(-since / run_s));
    }
    return fall;
}

}  // namespace

TEST_CASE("air that runs down has stopped when a sudden stop would have taken as much away",
          "[diagnosis][air]") {
    double const dead_s = GENERATE(0.0, 6.0), run_s = GENERATE(2.0, 10.0, 30.0), every_s = GENERATE(3.0, 7.0);
    auto const stopped = run_down(dead_s, run_s, every_s).stopped_ms(start_ms);
    CAPTURE(dead_s, run_s, every_s);
    REQUIRE(stopped);
    double const seconds = static_cast<double>(*stopped - start_ms) / 1000.0;
    CHECK(seconds == Approx(dead_s + run_s).margin(0.5 * every_s + 0.06 * run_s));
}

TEST_CASE("air that is only turned down has not stopped, nor at another time, nor where it is not read",
          "[diagnosis][air]") {
    CHECK_FALSE(run_down(0.0, 10.0, 5.0, 100.0).stopped_ms(start_ms));
    CHECK_FALSE(run_down(0.0, 10.0, 5.0).stopped_ms(start_ms + 120'000));
    AirFall fall;
    fall.take(start_ms, std::numeric_limits<double>::quiet_NaN());
    CHECK_FALSE(fall.stopped_ms(start_ms));
    // A gap hides when it was.
    fall.take(start_ms, 300.0);
    fall.take(start_ms + 200'000, 0.0);
    CHECK_FALSE(fall.stopped_ms(start_ms));
}

}  // namespace probekeeper::diagnosis

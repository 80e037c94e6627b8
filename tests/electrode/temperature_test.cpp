#include "electrode/temperature.h"

#include <catch2/catch.hpp>
#include <cmath>
#include <limits>

using namespace probekeeper::electrode;

TEST_CASE("a response time measured at 20 degrees needs no correction") {
    CHECK(t90_at_20(40.0, 20.0) == 40.0);
}

TEST_CASE(
    "a probe that is slow in cold water only because of the cold is as good as its time at 20 degrees") {
    double const truth = 40.0;
    for (double const temperature : {2.0, 10.0, 20.0, 30.0}) {
        double const seen = truth / arrhenius_factor(temperature, 20.0, typical_activation_energy);
        CHECK(t90_at_20(seen, temperature) == Approx(truth).epsilon(1e-14));
    }
    CHECK(t90_at_20(40.0, 5.0) < 40.0);
    CHECK(t90_at_20(40.0, 30.0) > 40.0);
}

TEST_CASE("the correction is that of the probe's own activation energy") {
    CHECK(t90_at_20(40.0, 5.0, 0.0) == 40.0);
    CHECK(t90_at_20(40.0, 5.0, 40'000.0) < t90_at_20(40.0, 5.0, 20'000.0));
}

TEST_CASE("a response time at an unread temperature is not known at 20 degrees") {
    CHECK(std::isnan(t90_at_20(40.0, std::numeric_limits<double>::quiet_NaN())));
}

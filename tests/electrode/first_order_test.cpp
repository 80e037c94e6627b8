#include "electrode/first_order.h"

#include <catch2/catch.hpp>

using namespace probekeeper::electrode;

TEST_CASE("a first-order probe shows nothing before the step and 90 % of it after 2.303 time constants") {
    CHECK(first_order_response(-5.0, 20.0) == 0.0);
    CHECK(first_order_response(0.0, 20.0) == 0.0);
    CHECK(first_order_response(20.0 * first_order_t90_over_tau, 20.0) == Approx(0.9).epsilon(1e-14));
    CHECK(first_order_time(0.9, 20.0) == Approx(20.0 * first_order_t90_over_tau).epsilon(1e-14));
    CHECK(first_order_response(1e9, 20.0) == 1.0);
}

TEST_CASE("the smallest part of a step keeps its digits") {
    CHECK(first_order_response(1e-12, 1.0) == Approx(1e-12).epsilon(1e-9));
    CHECK(first_order_time(1e-12, 1.0) == Approx(1e-12).epsilon(1e-9));
}

TEST_CASE("behind a slow sine a probe is late by its time constant and loses no height") {
    auto const slow = first_order_sine(1e6, 30.0);
    CHECK(slow.gain == Approx(1.0).epsilon(1e-6));
    CHECK(slow.lag == Approx(30.0).epsilon(1e-6));
    CHECK(first_order_sine(10.0, 30.0).gain < 0.06);
}

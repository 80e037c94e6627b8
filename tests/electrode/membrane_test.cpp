#include "electrode/membrane.h"

#include <catch2/catch.hpp>
#include <cmath>
#include <limits>

using namespace probekeeper::electrode;

namespace {

// Both series with far more terms than the room takes, for every x.
double many_long_terms(double x) {
    double sum = 1.0;
    for (int n = 1; n < 60; ++n) {
        sum += (n % 2 == 0 ? 2.0 : -2.0) * std::exp(-n * n * std::numbers::pi * std::numbers::pi * x);
    }
    return sum;
}

double many_short_terms(double x) {
    double sum = 0.0;
    for (int n = 0; n < 60; ++n) {
        sum += std::exp(-(2.0 * n + 1.0) * (2.0 * n + 1.0) / (4.0 * x));
    }
    return 2.0 / std::sqrt(std::numbers::pi * x) * sum;
}

}  // namespace

TEST_CASE("the membrane's curve keeps 1e-12 on both sides of where its series meet") {
    for (double x = 0.02; x < 2.0; x += 0.0005) {
        CAPTURE(x);
        CHECK(std::abs(membrane_response(x) - many_long_terms(x)) < 1e-12);
        CHECK(std::abs(membrane_response(x) - many_short_terms(x)) < 1e-12);
    }
}

TEST_CASE("the membrane shows nothing before the step and all of it in the end") {
    CHECK(membrane_response(-1.0) == 0.0);
    CHECK(membrane_response(0.0) == 0.0);
    CHECK(membrane_response(1e-9) == 0.0);
    CHECK(membrane_response(100.0) == 1.0);
    CHECK(membrane_response(std::numeric_limits<double>::infinity()) == 1.0);
    CHECK(std::isnan(membrane_response(std::numeric_limits<double>::quiet_NaN())));
}

TEST_CASE("the membrane's slope is that of its curve") {
    for (double const x : {0.02, 0.05, 0.1, 0.1599, 0.1601, 0.3, 1.0}) {
        double const h = 1e-5;
        double const measured = (membrane_response(x + h) - membrane_response(x - h)) / (2.0 * h);
        CAPTURE(x);
        CHECK(membrane_response_slope(x) == Approx(measured).epsilon(1e-5).margin(1e-9));
    }
}

TEST_CASE("the time of a level is the inverse of the curve, from the faintest beginning to the end") {
    for (double const level : {1e-200, 1e-30, 1e-6, 0.01, 0.1, 0.5, 0.56, 0.9, 0.999, 1.0 - 1e-10}) {
        CAPTURE(level);
        CHECK(membrane_response(membrane_time(level)) == Approx(level).epsilon(1e-11));
    }
    CHECK(membrane_time(0.0) == 0.0);
    CHECK(membrane_time(-1.0) == 0.0);
    CHECK(std::isinf(membrane_time(1.0)));
}

TEST_CASE("the named times are those of the curve") {
    CHECK(membrane_response(membrane_x10) == Approx(0.10).epsilon(1e-14));
    CHECK(membrane_response(membrane_x50) == Approx(0.50).epsilon(1e-14));
    CHECK(membrane_response(membrane_x63) == Approx(-std::expm1(-1.0)).epsilon(1e-14));
    CHECK(membrane_response(membrane_x90) == Approx(0.90).epsilon(1e-14));
    CHECK(membrane_response(membrane_x95) == Approx(0.95).epsilon(1e-14));
}

TEST_CASE("an exponential fitted to the tail finds its constant, and T90 lies three of them after the step") {
    double const later = 1.0 - membrane_response(0.6);
    double const end = 1.0 - membrane_response(0.6 + membrane_tail);
    CHECK(later / end == Approx(std::exp(1.0)).epsilon(1e-7));
    CHECK(membrane_t90_over_tail == Approx(std::log(20.0)).epsilon(5e-5));
}

TEST_CASE("the area above the curve is the mean response time") {
    double area = 0.0;
    double const h = 1e-4;
    for (double x = 0.5 * h; x < 4.0; x += h) {
        area += h * (1.0 - membrane_response(x));
    }
    CHECK(area == Approx(membrane_mean).epsilon(1e-7));
    CHECK(membrane_t90_over_mean == Approx(membrane_x90 / area).epsilon(1e-6));
}

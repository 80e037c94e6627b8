#include "electrode/film.h"

#include <catch2/catch.hpp>
#include <cmath>
#include <limits>

#include "electrode/membrane.h"

using namespace probekeeper::electrode;

namespace {

constexpr Layer unit{1.0, 1.0, 1.0};

}  // namespace

TEST_CASE("without a film the response is the bare membrane's") {
    FilmResponse const response{{0.0, 1.0, 1.0}, unit};
    CHECK(response.steady() == 1.0);
    for (double t = 0.005; t < 2.0; t += 0.005) {
        CAPTURE(t);
        CHECK(response.at(t) == Approx(membrane_response(t)).margin(1e-12).epsilon(0));
    }
}

TEST_CASE("a film of the membrane's own stuff is a thicker membrane") {
    FilmResponse const response{{0.5, 1.0, 1.0}, unit};
    CHECK(response.time(0.9) == Approx(2.25 * membrane_x90).epsilon(1e-12));
    CHECK(response.mean_time() == Approx(2.25 * membrane_mean).epsilon(1e-14));
    CHECK(response.steady() == Approx(1.0 / 1.5));
}

TEST_CASE("the thicker the film, the lower and the slower the reading") {
    FilmResponse const thin{{0.2, 50.0, 0.1}, unit};
    FilmResponse const thick{{1.0, 50.0, 0.1}, unit};
    CHECK(thick.steady() < thin.steady());
    CHECK(thick.time(0.9) > thin.time(0.9));
    CHECK(thick.tail_rate() < thin.tail_rate());
}

TEST_CASE("a film's response begins at nothing, never falls and ends at all") {
    FilmResponse const response{{0.5, 10.0, 0.1}, unit};
    CHECK(response.at(-1.0) == 0.0);
    CHECK(response.at(0.0) == 0.0);
    double before = 0.0;
    for (double t = 0.001; t < 3.0; t += 0.001) {
        double const now = response.at(t);
        CAPTURE(t);
        REQUIRE(now >= before - 1e-13);
        before = now;
    }
    CHECK(response.at(1e3) == 1.0);
    CHECK(std::isnan(response.at(std::numeric_limits<double>::quiet_NaN())));
}

TEST_CASE("the area above a film's response is its mean time") {
    FilmResponse const response{{0.5, 10.0, 0.1}, unit};
    double area = 0.0;
    double const h = 1e-3;
    for (double t = 0.5 * h; t < 8.0; t += h) {
        area += h * (1.0 - response.at(t));
    }
    CHECK(area == Approx(response.mean_time()).epsilon(1e-5));
}

TEST_CASE("the time of a level is the inverse of a film's response, in the units of its layers") {
    // 25 um of membrane with D = 2e-11 m^2/s over 5 um of electrolyte.
    FilmResponse const response{{5e-6, 2e-9, 0.15}, {25e-6, 2e-11, 1.0}};
    for (double const level : {1e-6, 0.1, 0.5, 0.9, 0.99}) {
        CHECK(response.at(response.time(level)) == Approx(level).epsilon(1e-9));
    }
    CHECK(response.time(0.9) == Approx(31.25 * 0.311780).epsilon(2e-6));  // d/b = 0.2 of the reference table
    CHECK(response.time(0.0) == 0.0);
    CHECK(std::isinf(response.time(1.0)));
}

#include "physics/ageing.h"

#include <catch2/catch.hpp>

using namespace probekeeper::physics;

TEST_CASE("growth starts on its day, keeps its law and stops at its most", "[physics][ageing]") {
    Growth const growth{.from_day = 10.0, .over_days = 20.0, .power = 2.0, .most = 1.5};
    CHECK(growth.at(9.0) == 0.0);
    CHECK(growth.at(20.0) == Approx(0.25));
    CHECK(growth.at(30.0) == Approx(1.0));
    CHECK(growth.at(90.0) == 1.5);
    REQUIRE(growth.reaches(0.25));
    CHECK(*growth.reaches(0.25) == Approx(20.0));
    CHECK_FALSE(growth.reaches(1.6));
}

TEST_CASE("a film is a saw-tooth where it is wiped off", "[physics][ageing]") {
    Ageing ageing;
    ageing.film_t90_s = 30.0;
    ageing.film_growth = {.from_day = 0.0, .over_days = 7.0};
    ageing.wiped_every_days = 7.0;
    ageing.wipe_leaves = 0.1;
    CHECK(ageing.wear_at(6.99).film_t90_s == Approx(30.0).epsilon(0.01));
    CHECK(ageing.wear_at(7.01).film_t90_s == Approx(3.0).epsilon(0.05));
    CHECK(ageing.wear_at(13.99).film_t90_s == Approx(33.0).epsilon(0.01));
}

TEST_CASE("sudden faults come on their day", "[physics][ageing]") {
    Ageing ageing;
    ageing.pierced_on_day = 5.0;
    ageing.dry_on_day = 8.0;
    CHECK(ageing.wear_at(4.9).span == 1.0);
    CHECK(ageing.wear_at(5.0).span == Approx(1.4));
    CHECK_FALSE(ageing.wear_at(7.9).dry);
    CHECK(ageing.wear_at(8.0).dry);
}

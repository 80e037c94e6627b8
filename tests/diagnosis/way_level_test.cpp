// What blasts of water near to saturation tell of their own length.
#include "diagnosis/way_level.h"

#include <catch2/catch.hpp>
#include <cmath>

namespace probekeeper::diagnosis::test {
namespace {

constexpr std::int64_t hour_ms = 3'600'000;

// Three weeks of blasts every four hours, which read too much by a twelfth of their way: by a probe that
// moves by `a_day`, in water that goes from `least` to `most` percent of what it holds in air and back by the
// day.
WayLevel of_water(double least, double most, double a_day) {
    WayLevel level;
    for (int i = 0; i < 21 * 6; ++i) {
        double const truly = 95.0 + a_day * i / 6.0;
        double const water = 0.5 * (most + least) + 0.5 * (most - least) * std::sin(i / 6.0 * 6.2832);
        double const way = 100.0 - water, by_chance = i % 2 == 0 ? 0.3 : -0.3;
        level.blast(4 * hour_ms * i, truly + way / 12.0 + by_chance, way, 0.4);
    }
    return level;
}

}  // namespace

TEST_CASE("blasts of water that comes near to saturation tell how much they read too much",
          "[diagnosis][way_level]") {
    double const a_day = GENERATE(0.0, -0.3);
    CAPTURE(a_day);
    auto const level = of_water(60.0, 110.0, a_day);
    REQUIRE(level.tells());
    auto const known = level.known(10.0);
    CHECK(known.percent == Approx(95.0 + 21.0 * a_day).margin(0.5));
    CHECK(known.ahead_percent == Approx(95.0 + 31.0 * a_day).margin(1.2));
    CHECK(known.part == Approx(1.0 / 12.0).margin(0.02));
    CHECK(known.variance < 0.5 * 0.5);
}

TEST_CASE("blasts of water that stays far from saturation tell no level", "[diagnosis][way_level]") {
    CHECK_FALSE(of_water(10.0, 30.0, 0.0).tells());
    CHECK_FALSE(of_water(70.0, 70.5, 0.0).tells());
}

TEST_CASE("what blasts have told of the cleaner holds for the next membrane", "[diagnosis][way_level]") {
    auto level = of_water(60.0, 110.0, 0.0);
    level.begin_anew();
    CHECK_FALSE(level.tells());
    constexpr double truly = 100.0, way = 40.0;
    for (int i = 0; i < 8; ++i) {
        level.blast(30 * 24 * hour_ms + 4 * hour_ms * i, truly + way / 12.0, way, 0.4);
    }
    REQUIRE(level.tells());
    CHECK(level.known(10.0).percent == Approx(truly).margin(0.6));
}

TEST_CASE("a level that leaps leaves what is known of the blasts", "[diagnosis][way_level]") {
    auto level = of_water(60.0, 110.0, 0.0);
    double const before = level.part();
    level.set_level(80.0 + level.usual_way() / 12.0, 0.1);
    CHECK(level.part() == before);
    CHECK(level.known(10.0).percent == Approx(80.0).margin(0.5));
}

}  // namespace probekeeper::diagnosis::test

// A membrane with a hole, where little tells of it; and what it must not be taken for.
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>

#include "diagnosis/bench.h"

namespace probekeeper::diagnosis::test {
namespace {

bool aerated(double hour) {
    return std::fmod(hour, 1.0) < 0.5;
}

// Half an hour of air and half an hour without, from 6.5 mg/L down to none.
double aerated_by_the_hour(double hour) {
    double const h = std::fmod(hour, 1.0);
    return h < 0.5 ? 6.5 * (1.0 - std::exp(-12.0 * h)) : std::max(0.0, 6.5 - 30.0 * (h - 0.5));
}

void pierce(Knobs& probe, double noise) {
    probe.gain = 1.7;
    probe.offset = 0.5;
    probe.noise = noise;
}

}  // namespace

TEST_CASE("a hole that lifts the reading to air each time the air is on is seen, and is no person",
          "[diagnosis][hole]") {
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.rig.aeration = aerated;
    bench.rig.water = aerated_by_the_hour;
    bench.run(72.3);
    pierce(bench.rig.probe(0), 0.15);
    bench.run(48.0);
    CHECK(bench.stands(Reason::membrane_damage));
    auto const lifts = std::count_if(bench.heard.changes.begin(), bench.heard.changes.end(),
                                     [](auto const& c) { return c.change.state == ServiceState::in_hand; });
    CHECK(lifts <= 3);
}

TEST_CASE("a hole that lifts the floor as the load of the day comes is seen when the day is over",
          "[diagnosis][hole]") {
    bool const pierced = GENERATE(true, false);
    CAPTURE(pierced);
    double loaded = 1.0;
    Bench bench;
    bench.rig.probe(0).blasted = false;
    // Half of the time without air, half of it at a level that the air holds, which is a plateau as well.
    bench.rig.water = [&](double hour) { return std::min(1.0, aerated_by_the_hour(hour)) * loaded; };
    bench.run(72.3);
    if (pierced) {
        pierce(bench.rig.probe(0), 0.01);
    }
    loaded = pierced ? 0.3 : 0.6;
    bench.run(9.0);
    loaded = 1.0;
    bench.run(30.0);
    CHECK(bench.heard.ever(Reason::membrane_damage) == pierced);
}

TEST_CASE("a hole that comes while nothing tells of the air is seen once the bit is read again",
          "[diagnosis][hole]") {
    Bench bench;
    bench.rig.aeration = [](double) { return true; };
    bench.run(72.0);
    bench.rig.aeration = {};
    bench.run(12.0);
    bench.rig.probe(0).noise = 0.3;
    bench.run(24.0);
    bench.rig.aeration = [](double) { return true; };
    bench.run(24.0);
    CHECK(bench.stands(Reason::membrane_damage));
}

TEST_CASE("water that has become richer and livelier while nothing told of the air is no hole",
          "[diagnosis][hole]") {
    bool const behind_membrane = GENERATE(true, false);
    CAPTURE(behind_membrane);
    double level = 4.0, lively = 0.01;
    Bench bench;
    bench.rig.probe(0).noise = 0.002;
    bench.rig.water = [&](double hour) { return level + lively * ripple(hour); };
    bench.rig.aeration = [](double) { return true; };
    bench.run(72.0);
    bench.rig.aeration = {};
    bench.run(11.7);
    level = 5.2;
    (behind_membrane ? bench.rig.probe(0).noise : lively) = 0.05;
    bench.run(0.3);
    bench.rig.aeration = [](double) { return true; };
    bench.run(24.0);
    CHECK(bench.heard.ever(Reason::membrane_damage) == behind_membrane);
}

TEST_CASE("coarse readings that leap show a hole by what blasts read in air", "[diagnosis][hole]") {
    auto const [gain, calibrated] =
        GENERATE(std::pair{1.6, false}, std::pair{1.0, false}, std::pair{1.6, true});
    CAPTURE(gain, calibrated);
    Bench bench;
    bench.rig.probe(0).resolution = 0.1;
    bench.rig.water = [](double h) { return h < 96.0 || h > 144.0 ? 2.0 : 3.2; };
    bench.run(96.0);
    bench.rig.water = [](double) { return 2.0; };
    bench.rig.probe(0).gain = gain;
    if (gain == 1.0) {
        bench.rig.water = [](double) { return 3.2; };  // the water alone
    }
    if (calibrated) {
        bench.did(Act::air_calibration);
    }
    bench.run(72.0);
    CHECK(bench.heard.ever(Reason::membrane_damage) == (gain > 1.0 && !calibrated));
}

TEST_CASE("coarse readings that leap and flutter from then on show a hole where no blast tells",
          "[diagnosis][hole]") {
    enum class Cause { hole, richer_water, looseness };
    auto const cause = GENERATE(Cause::hole, Cause::richer_water, Cause::looseness);
    CAPTURE(cause);
    double lively = 0.0;
    Bench bench;
    bench.rig.probe(0).resolution = 0.1;
    bench.rig.probe(0).blasted = false;
    bench.rig.probe(0).noise = 0.004;
    bench.rig.water = [&](double h) { return 2.2 + 0.15 * std::sin(h / 0.7) + lively * ripple(h); };
    bench.run(72.0);
    if (cause == Cause::looseness) {
        bench.rig.probe(0).noise = 0.05;
        bench.run(48.0);
    }
    double const richer = cause == Cause::hole ? 1.0 : 1.7;
    bench.rig.water = [&](double h) {
        return richer * (2.2 + 0.15 * std::sin(h / 0.7)) + lively * ripple(h);
    };
    if (cause == Cause::hole) {
        pierce(bench.rig.probe(0), 0.06);
    } else {
        (cause == Cause::looseness ? bench.rig.probe(0).noise : lively) = 0.085;
    }
    bench.run(30.0);
    CHECK(bench.heard.ever(Reason::membrane_damage) == (cause == Cause::hole));
    CHECK(bench.stands(Reason::membrane_damage) == (cause == Cause::hole));
    bench.run(72.0);
    CHECK(bench.stands(Reason::membrane_damage) == (cause == Cause::hole));
}

TEST_CASE("blasts that a hole hides are no failure of the cleaner", "[diagnosis][hole]") {
    Bench bench;
    bench.run(96.0);
    bench.rig.probe(0).noise = 0.3;
    bench.rig.probe(0).blasts_reach = false;
    bench.run(72.0);
    CHECK(bench.stands(Reason::membrane_damage));
    CHECK_FALSE(bench.heard.ever(Reason::cleaning_failed));
}

TEST_CASE("the response of a pierced membrane is not told", "[diagnosis][hole]") {
    Bench bench;
    bench.rig.water = [](double) { return 3.0; };
    bench.run(96.0);
    bench.rig.probe(0).noise = 0.15;
    bench.run(30.0);
    REQUIRE(bench.stands(Reason::membrane_damage));
    bench.rig.probe(0).t90_s = 130.0;
    bench.run(96.0);
    CHECK_FALSE(bench.heard.ever(Reason::slow_response));
}

TEST_CASE("a membrane that leaps by its own movement is not exposed to air", "[diagnosis][hole]") {
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.run(72.0);
    bench.rig.probe(0).noise = 1.2;
    bench.run(48.0);
    CHECK(bench.heard.tests.size() < 10);  // else hundreds; a few before its movement is known
}

TEST_CASE("hours whose air is said to be on, and is not, tell nothing of the movement", "[diagnosis][hole]") {
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.rig.water = [](double hour) { return aerated_by_the_hour(0.25 * hour); };
    bench.rig.aeration = [](double hour) { return aerated(0.25 * hour); };
    bench.run(60.2);
    auto const since = bench.rig.now();
    bench.rig.aeration = [](double) { return true; };
    bench.run(20.0);
    auto const d = bench.site.verdict(0);
    REQUIRE(d.fluctuation);
    CHECK(d.fluctuation->at < since + Millis{4 * 3'600'000});
}

}  // namespace probekeeper::diagnosis::test

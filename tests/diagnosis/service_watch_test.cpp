#include "diagnosis/service_watch.h"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>

#include "diagnosis/bench.h"

using namespace probekeeper;
using namespace probekeeper::diagnosis;
using namespace probekeeper::diagnosis::test;

namespace {

constexpr double minute = 1.0 / 60.0;  // hours

ServiceState state_of(Bench const& bench) {
    return bench.site.verdict(0).service_state;
}

// Three minutes in hand with the old membrane, then twenty with a new one that overshoots and settles at
// `settles_at`, and then reads `left_at` of what is right; back in the water.
void change_membrane(Bench& bench, bool hold, double settles_at, double left_at, double settling_s = 150.0) {
    auto& probe = bench.rig.probe(0);
    probe.in_air = true;
    probe.hold = hold;
    bench.run(3.0 * minute);
    for (int i = 0; i < 20; ++i) {
        probe.gain = settles_at * (1.0 + 1.3 * std::exp(-60.0 * i / settling_s));
        bench.run(minute);
    }
    probe.gain = left_at;
    bench.run(6.0 * minute);
    probe.in_air = probe.hold = false;
}

}  // namespace

TEST_CASE("while the hold bit is on the probe is in hand, and nothing is said of it",
          "[diagnosis][service]") {
    Bench bench;
    bench.run(30.0);
    REQUIRE(state_of(bench) == ServiceState::in_service);
    bench.rig.probe(0).in_air = bench.rig.probe(0).hold = true;
    bench.run(0.2);
    auto const d = bench.site.verdict(0);
    CHECK(d.service_state == ServiceState::in_hand);
    CHECK(d.condition == Condition::function_check);
    bench.rig.probe(0).in_air = bench.rig.probe(0).hold = false;
    bench.run(0.2);
    CHECK(state_of(bench) == ServiceState::in_service);
}

TEST_CASE("a lift of some minutes into air is seen without a bit, and so is the way back",
          "[diagnosis][service]") {
    Bench bench;
    bench.run(30.0);
    bench.rig.probe(0).in_air = true;
    bench.run(6.0 * minute);
    CHECK(state_of(bench) == ServiceState::in_hand);
    bench.rig.probe(0).in_air = false;
    bench.run(10.0 * minute);
    CHECK(state_of(bench) == ServiceState::in_service);
}

TEST_CASE("a cleaning blast is no handling, declared or not", "[diagnosis][service]") {
    Bench bench;
    bench.rig.probe(0).blasts_declared = GENERATE(true, false);
    for (int i = 0; i < 24 * 60; ++i) {
        bench.run(minute);
        REQUIRE(state_of(bench) == ServiceState::in_service);
    }
}

TEST_CASE("water that rises and falls with sun and air is no handling", "[diagnosis][service]") {
    Bench bench;
    bench.rig.water = [](double hour) { return 8.5 + 5.0 * std::sin(hour / 24.0 * 6.2832); };
    for (int i = 0; i < 3 * 24 * 12; ++i) {
        bench.run(5.0 * minute);
        REQUIRE(state_of(bench) == ServiceState::in_service);
    }
}

TEST_CASE("a new membrane is recognised by its overshoot, settles, and is fresh", "[diagnosis][service]") {
    bool const hold = GENERATE(true, false);
    CAPTURE(hold);
    Bench bench;
    bench.rig.probe(0).t90_s = 80.0;
    bench.run(60.0);
    auto const tests_before = bench.site.verdict(0).t90.value().tests;
    REQUIRE(tests_before > 10);
    bench.rig.probe(0).t90_s = 40.0;
    change_membrane(bench, hold, 1.15, 1.0);
    bench.run(8.0 * minute);
    CHECK(state_of(bench) == ServiceState::settling);
    bench.run(0.5);
    CHECK(state_of(bench) == ServiceState::in_service);  // it was set to 100 % in air
    bench.run(24.0);
    auto const d = bench.site.verdict(0);
    CHECK(d.t90.value().tests < tests_before);
    CHECK(d.t90->value_s == Approx(40.0).epsilon(0.1));
    CHECK(reasons(d) == "");
}

TEST_CASE("the way back into the water is the first test of a new membrane that was at rest in air",
          "[diagnosis][service]") {
    // Without a bit, and with a record that comes before the lift is believed, nobody knows when it went
    // back.
    auto const [hold, recorded] =
        GENERATE(std::pair{true, true}, std::pair{true, false}, std::pair{false, false});
    double const t90_s = GENERATE(40.0, 85.0);  // of a good membrane, and of one with a film under it
    CAPTURE(hold, recorded, t90_s);
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.run(30.0);
    if (recorded) {
        bench.did(Act::membrane_change);
    }
    bench.rig.probe(0).t90_s = t90_s;
    change_membrane(bench, hold, 1.15, 1.0);
    bench.run(1.0);
    auto const lifts = bench.heard.used(TestSource::air_exposure);
    REQUIRE(lifts.size() == 1);
    CHECK(lifts.front().t90_s == Approx(t90_s).epsilon(0.15));
}

TEST_CASE("a new membrane that overshoots still when it goes back tests nothing", "[diagnosis][service]") {
    bool const hold = GENERATE(true, false);
    CAPTURE(hold);
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.run(30.0);
    bench.did(Act::membrane_change);
    auto& probe = bench.rig.probe(0);
    probe.in_air = true;
    probe.hold = hold;
    for (int i = 0; i < 12; ++i) {
        probe.gain = 1.0 + 1.3 * std::exp(-60.0 * i / 900.0);
        bench.run(minute);
    }
    probe.in_air = probe.hold = false;
    bench.run(1.0);
    CHECK(bench.heard.used(TestSource::air_exposure).empty());
}

TEST_CASE("a new membrane that nobody calibrates awaits it and says so", "[diagnosis][service]") {
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.run(30.0);
    change_membrane(bench, true, 1.15, 1.15);
    bench.run(1.0);
    auto d = bench.site.verdict(0);
    CHECK(d.service_state == ServiceState::awaiting_calibration);
    CHECK(d.condition == Condition::function_check);
    CHECK(d.next_evidence.find("calibrate it in air") == 0);
    bench.did(Act::air_calibration);
    CHECK(state_of(bench) == ServiceState::in_service);
}

TEST_CASE("nobody waits for a calibration for ever", "[diagnosis][service]") {
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.run(30.0);
    bench.did(Act::membrane_change);
    bench.run(24.0);
    REQUIRE(state_of(bench) == ServiceState::awaiting_calibration);
    bench.run(7.0 * 24.0);
    CHECK(state_of(bench) == ServiceState::in_service);
}

TEST_CASE("blasts that read about 100 % in air are calibration enough", "[diagnosis][service]") {
    Bench bench;
    bench.rig.blast_s = 300;
    bench.run(30.0);
    bench.did(Act::membrane_change);
    bench.run(24.0);
    CHECK(state_of(bench) == ServiceState::in_service);
}

TEST_CASE("settling ends when the reading is at rest, not by the clock", "[diagnosis][service]") {
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.run(30.0);
    bench.did(Act::membrane_change);
    double const settling_s = GENERATE(150.0, 1500.0);
    double minutes = 0.0;
    for (bool begun = false; minutes < 300.0; minutes += 1.0) {
        bench.rig.probe(0).gain = 1.0 + 1.3 * std::exp(-60.0 * minutes / settling_s);
        bench.run(minute);
        begun = begun || state_of(bench) == ServiceState::settling;
        if (begun && state_of(bench) != ServiceState::settling) {
            break;
        }
    }
    // What is left of the overshoot is a few percent by then.
    CHECK(1.3 * std::exp(-60.0 * minutes / settling_s) < 0.1);
    CHECK(minutes < 11.0 + 6.0 * settling_s / 60.0);
}

TEST_CASE("a membrane that does not come to rest for hours is told", "[diagnosis][service]") {
    Bench bench;
    bench.run(30.0);
    bench.did(Act::membrane_change);
    for (int i = 0; i < 8 * 60; ++i) {
        bench.rig.probe(0).gain = 1.0 + 0.25 * std::sin(i / 3.0);
        bench.run(minute);
    }
    CHECK(bench.heard.ever(Reason::not_settled));
}

TEST_CASE("a membrane that was put on weeks before the first reading has settled long since",
          "[diagnosis][service]") {
    Bench bench;
    // Air that comes and goes: the water never rests.
    bench.rig.water = [](double h) { return 5.0 + 3.0 * std::sin(h * 8.0); };
    Handling change;
    change.act = Act::membrane_change;
    change.time = bench.rig.now() - std::chrono::hours{24 * 20};
    bench.site.handle(0, change, bench.heard);
    bench.run(minute);
    CHECK(state_of(bench) != ServiceState::settling);
    bench.run(12.0);
    CHECK_FALSE(bench.heard.ever(Reason::not_settled));
}

TEST_CASE("a pond in the sun, with as much oxygen as an overshoot shows, is no restless membrane",
          "[diagnosis][service]") {
    Bench bench;
    bench.rig.water = [](double h) { return 16.5 + 1.5 * std::sin(h / 4.0); };
    bench.run(30.0);
    bench.did(Act::membrane_change);
    bench.run(10.0);
    CHECK_FALSE(bench.heard.ever(Reason::not_settled));
}

TEST_CASE("handling raises no reason, with a record or without", "[diagnosis][service]") {
    bool const hold = GENERATE(true, false), recorded = GENERATE(true, false);
    CAPTURE(hold, recorded);
    Bench bench;
    bench.run(72.0);
    REQUIRE(reasons(bench.site.verdict(0)) == "");
    if (recorded) {
        bench.did(Act::membrane_change);
    }
    change_membrane(bench, hold, 1.1, 1.0);
    bench.run(72.0);
    CHECK(bench.heard.found.empty());
}

TEST_CASE("a hold bit that stays on does not hide the probe for ever", "[diagnosis][service]") {
    Bench bench;
    bench.run(30.0);
    bench.rig.probe(0).hold = true;
    bench.run(4.0);
    REQUIRE(state_of(bench) == ServiceState::in_hand);
    bench.run(6.0);
    CHECK(state_of(bench) == ServiceState::in_service);
}

TEST_CASE("a dry zero between air and air is taken, and one over its limit says what to do",
          "[diagnosis][service]") {
    Bench bench;
    bench.run(30.0);
    auto& probe = bench.rig.probe(0);
    probe.in_air = probe.hold = true;
    bench.run(5.0 * minute);
    probe.shows = 0.18;
    bench.run(5.0 * minute);
    probe.shows.reset();
    bench.run(5.0 * minute);
    probe.in_air = probe.hold = false;
    bench.run(1.0);
    auto const d = bench.site.verdict(0);
    REQUIRE(d.background);
    CHECK(d.background->source == BackgroundSource::dry_zero);
    CHECK(d.background->value_mg_l == Approx(0.18).margin(0.01));
    CHECK(d.next_evidence.find("clean the cathode again") == 0);
}

TEST_CASE("the beginning and the end of handling are told, from where the readings show them",
          "[diagnosis][service]") {
    bool const hold = GENERATE(true, false);
    CAPTURE(hold);
    Bench bench{2};
    bench.run(30.0);
    CHECK(bench.heard.changes.empty());
    auto const began = bench.rig.now();
    change_membrane(bench, hold, 1.15, 1.0);
    auto const back = bench.rig.now();
    bench.run(3.0);
    std::vector<ServiceState> states;
    for (auto const& [place, change] : bench.heard.changes) {
        CHECK(place == 0);
        CHECK(change.at <= change.known);
        states.push_back(change.state);
    }
    REQUIRE(states == std::vector{ServiceState::in_hand, ServiceState::settling, ServiceState::in_service});
    auto const& all = bench.heard.changes;
    CHECK(std::abs(seconds_between(began, all[0].change.at)) < 60.0);
    CHECK(std::abs(seconds_between(back, all[1].change.at)) < 60.0);
    CHECK(seconds_between(back, all[2].change.at) >= 600.0);
}

TEST_CASE(
    "a membrane change that only a record tells of settles from the record on, and waits for its calibration",
    "[diagnosis][service]") {
    Bench bench;
    bench.run(30.0);
    auto const at = bench.rig.now();
    bench.did(Act::membrane_change);
    REQUIRE(bench.heard.changes.size() == 1);
    CHECK(bench.heard.changes[0].change == ServiceChange{at, at, ServiceState::settling});
    bench.run(2.0);
    REQUIRE(bench.heard.changes.size() == 2);
    CHECK(bench.heard.changes[1].change.state == ServiceState::awaiting_calibration);
    bench.did(Act::air_calibration);
    REQUIRE(bench.heard.changes.size() == 3);
    CHECK(bench.heard.changes[2].change.state == ServiceState::in_service);
}

TEST_CASE("a new membrane that came to rest away from 100 % in air is told where", "[diagnosis][service]") {
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.run(30.0);
    change_membrane(bench, /*hold=*/true, 1.15, 1.15);
    bench.run(3.0);
    auto const d = bench.site.verdict(0);
    CHECK(d.service_state == ServiceState::awaiting_calibration);
    CHECK(d.condition == Condition::function_check);
    CHECK(d.next_evidence.find("came to rest at 115 % in air") != std::string::npos);
}

TEST_CASE("a membrane that bursts in livelier water than its readings ever showed is no new one",
          "[diagnosis][service]") {
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.rig.water = [](double h) { return 4.5 + 2.5 * std::sin(std::numbers::pi * h); };
    bench.run(72.3);
    bench.rig.probe(0).gain = 2.1;
    bench.rig.probe(0).noise = 0.3;
    bench.run(12.0);
    CHECK(std::none_of(bench.heard.changes.begin(), bench.heard.changes.end(), [](auto const& c) {
        return c.change.state == ServiceState::settling ||
               c.change.state == ServiceState::awaiting_calibration;
    }));
}

// Response tests found in ordinary operation, and what must not be taken for one.
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <numbers>
#include <utility>

#include "diagnosis/bench.h"
#include "diagnosis/fall_doubts.h"
#include "diagnosis/shown.h"

namespace probekeeper::diagnosis::test {
namespace {

// Five minutes in air and back, as a technician lifts a probe.
void lift(Bench& bench, bool declared) {
    auto& probe = bench.rig.probe(0);
    probe.in_air = true;
    probe.hold = declared;
    bench.run(301.0 / 3600.0);
    probe.in_air = probe.hold = false;
    bench.run(1.0);
}

double ramp(double hour, double from_h, double over_h, double low, double high) {
    return low + (high - low) * std::clamp((hour - from_h) / over_h, 0.0, 1.0);
}

// An hour with air, in which the oxygen comes within minutes, and one without, in which it runs out.
void air_every_other_hour(Rig& rig) {
    rig.aeration = [](double h) { return std::fmod(h, 2.0) < 1.0; };
    rig.water = [](double h) {
        double const in_cycle = std::fmod(h, 2.0);
        return in_cycle < 1.0 ? 6.0 * (1.0 - std::exp(-in_cycle / 0.1))
                              : std::max(0.0, 6.0 - 20.0 * (in_cycle - 1.0));
    };
}

}  // namespace

TEST_CASE("each blast that its bit declares is a test of the response", "[diagnosis][capture]") {
    double const t90 = GENERATE(20.0, 40.0, 90.0);
    CAPTURE(t90);
    Bench bench;
    bench.rig.probe(0).t90_s = t90;
    bench.run(48.0);
    auto const tests = bench.heard.used(TestSource::cleaning);
    CHECK(tests.size() >= 14);  // of 16 blasts
    for (auto const& test : tests) {
        CHECK(test.t90_20_s == Approx(t90).epsilon(0.25));
        CHECK(test.low_s < test.t90_s);
        CHECK(test.high_s > test.t90_s);
        CHECK(test.at_temperature_c == Approx(20.0));
    }
    CHECK(bench.site.verdict(0).t90->value_s == Approx(t90).epsilon(0.15));
}

TEST_CASE("a lift into air that the hold bit declares is a test, named air_exposure",
          "[diagnosis][capture]") {
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.run(3.0);
    lift(bench, /*declared=*/true);
    auto const tests = bench.heard.used(TestSource::air_exposure);
    REQUIRE(tests.size() == 1);
    CHECK(tests.front().t90_s == Approx(40.0).epsilon(0.2));
    CHECK(std::abs(seconds_between(bench.rig.now() - seconds(3600.0), tests.front().time)) < 20.0);
}

TEST_CASE("a lift is as uncertain as the flush of the water leaves it, however well its fall fits",
          "[diagnosis][capture]") {
    double const t90 = GENERATE(25.0, 90.0);
    CAPTURE(t90);
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.rig.probe(0).t90_s = t90;
    bench.run(3.0);
    lift(bench, /*declared=*/true);
    auto const tests = bench.heard.used(TestSource::air_exposure);
    REQUIRE(tests.size() == 1);
    // Some 3 s of the time constant, either way.
    double const open = 1.645 * 2.7 * std::numbers::ln10 / t90;
    CHECK(std::log(tests.front().high_s / tests.front().low_s) > 1.8 * open);
}

TEST_CASE("one lift tells nothing of the response where the stops of the air do", "[diagnosis][capture]") {
    Bench bench;
    bench.rig.probe(0).blasted = false;
    air_every_other_hour(bench.rig);
    bench.run(72.5);
    REQUIRE(bench.heard.used(TestSource::aeration_off).size() > 30);
    lift(bench, /*declared=*/true);
    CHECK(bench.heard.used(TestSource::air_exposure).empty());
    CHECK(std::any_of(bench.heard.tests.begin(), bench.heard.tests.end(), [](auto const& t) {
        return t.test.source == TestSource::air_exposure &&
               t.test.set_aside == "the stops of the air tell the response here, and better than one lift";
    }));
}

TEST_CASE("a lift that no bit declares is found by its leap towards air", "[diagnosis][capture]") {
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.rig.water = [](double) { return 4.0; };
    bench.run(3.0);
    lift(bench, /*declared=*/false);
    auto const tests = bench.heard.used(TestSource::air_exposure);
    REQUIRE(tests.size() == 1);
    CHECK(tests.front().t90_s == Approx(40.0).epsilon(0.25));
}

TEST_CASE(
    "blasts that no bit declares are not lost from sight when a slower probe no longer reaches air in them",
    "[diagnosis][capture]") {
    Bench bench;
    bench.rig.water = [](double) { return 2.0; };
    bench.rig.probe(0).blasts_declared = false;
    bench.rig.blast_s = 40;
    bench.run(48.0);
    REQUIRE(bench.heard.used(TestSource::air_exposure).size() >= 12);
    for (double t90 = 44.0; t90 < 160.0; t90 *= 1.1) {
        bench.rig.probe(0).t90_s = t90;
        bench.run(24.0);
    }
    // At last it comes 46 % of the way in 40 s.
    auto const tests = bench.heard.used(TestSource::air_exposure);
    auto const last_day = std::count_if(tests.begin(), tests.end(), [&](ResponseTest const& test) {
        return bench.rig.now() - test.time < seconds(86'400.0);
    });
    CHECK(last_day >= 6);
    CHECK(tests.back().t90_20_s == Approx(150.0).epsilon(0.25));
    CHECK(bench.stands(Reason::slow_response));
}

TEST_CASE("blasts that no bit declares and that never come near to air are found by their pulse",
          "[diagnosis][capture]") {
    double const water = GENERATE(0.9, 2.0);
    // What 35 s show of a T90 of 80 s is 6.5 mg/L at most, what 20 s do of 130 s less than half of that.
    bool const is_short = GENERATE(false, true);
    CAPTURE(water, is_short);
    double const t90_s = is_short ? 130.0 : 80.0;
    Bench bench{site_of(1, is_short ? 5.0 : 10.0)};
    bench.rig.water = [water](double) { return water; };
    auto& probe = bench.rig.probe(0);
    probe.blasts_declared = false;
    probe.t90_s = t90_s;
    bench.rig.blast_s = is_short ? 20 : 35;
    bench.run(24.0 * 4.0);
    auto const tests = bench.heard.used(TestSource::air_exposure);
    CHECK(tests.size() >= 20);  // of 32 blasts
    for (auto const& test : tests) {
        CHECK(test.t90_20_s == Approx(t90_s).epsilon(0.25));
    }
}

TEST_CASE("short blasts of a slow probe that no bit declares are found in water rich in oxygen, too",
          "[diagnosis][capture]") {
    auto setup = site_of(1);
    setup.probes[0].t90_s = 110.0;
    Bench bench{setup};
    bench.rig.water = [](double) { return 6.5; };
    bench.rig.blast_s = 22;  // a third of the way to air, so 0.9 mg/L
    auto& probe = bench.rig.probe(0);
    probe.blasts_declared = false;
    probe.t90_s = 120.0;
    bench.run(48.0);
    auto const tests = bench.heard.used(TestSource::air_exposure);
    CHECK(tests.size() >= 12);  // of 16 blasts
    CHECK(bench.site.verdict(0).t90->value_s == Approx(120.0).epsilon(0.2));
}

TEST_CASE("a fall too quick for any water is the probe's own, though it is slower than was thought",
          "[diagnosis][capture]") {
    auto setup = site_of(1);
    setup.probes[0].t90_s = 16.0;
    Bench bench{setup};
    bench.rig.water = [](double) { return 2.0; };
    auto& probe = bench.rig.probe(0);
    probe.blasts_declared = false;
    probe.t90_s = 30.0;
    bench.run(48.0);
    CHECK(bench.heard.used(TestSource::air_exposure).size() >= 12);  // of 16 blasts
}

TEST_CASE("a probe that was too quick for its polls is tested once it has slowed, however far",
          "[diagnosis][capture]") {
    Bench bench{site_of(1, 60.0)};
    auto& probe = bench.rig.probe(0);
    probe.blasts_declared = false;
    probe.t90_s = 30.0;
    bench.run(48.0);
    CHECK(bench.heard.used(TestSource::air_exposure).empty());
    probe.t90_s = 220.0;
    bench.run(72.0);
    CHECK(bench.heard.used(TestSource::air_exposure).size() > 6);
    REQUIRE(bench.site.verdict(0).t90);
    CHECK(bench.site.verdict(0).t90->value_s == Approx(220.0).epsilon(0.25));
}

TEST_CASE("blasts that no bit declares tell the kind of the response by their whole course",
          "[diagnosis][capture]") {
    Bench bench;
    auto& probe = bench.rig.probe(0);
    probe.blasts_declared = false;
    probe.t90_s = 60.0;
    bench.run(96.0);
    REQUIRE(bench.heard.used(TestSource::air_exposure).size() > 20);
    auto const t90 = bench.site.verdict(0).t90;
    REQUIRE(t90);
    CHECK(t90->value_s == Approx(60.0).epsilon(0.1));
    CHECK(t90->high_s < 1.4 * t90->low_s);
}

TEST_CASE("readings a minute apart are waited for until there are enough of them", "[diagnosis][capture]") {
    auto setup = site_of(1, 60.0);
    setup.probes[0].limits.evidence_days = 3.0;
    Bench bench{setup};
    bench.run(24.0 * 5.0);
    CHECK_FALSE(bench.stands(Reason::verification_due));
}

TEST_CASE("water that aeration drives up and that stays up is no blast", "[diagnosis][capture]") {
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.rig.probe(0).t90_s = 20.0;
    // Up by 3 mg/L in a minute and a half every half an hour, and down again in five minutes: more than any
    // aerator does.
    bench.rig.water = [](double h) {
        double const in = std::fmod(h, 0.5);
        return in < 0.25 ? 1.6 + 3.0 * std::min(1.0, in / 0.025)
                         : std::max(1.6, 4.6 - 3.0 * (in - 0.25) / 0.083);
    };
    bench.run(48.0);
    CHECK(bench.heard.used(TestSource::air_exposure).empty());
}

TEST_CASE("the cold slows a membrane, and the test corrects for it", "[diagnosis][capture]") {
    Bench bench;
    bench.rig.probe(0).temperature_c = 8.0;
    bench.run(12.0);
    auto const tests = bench.heard.used(TestSource::cleaning);
    REQUIRE_FALSE(tests.empty());
    CHECK(tests.front().t90_s == Approx(40.0).epsilon(0.2));
    CHECK(tests.front().t90_20_s < 0.9 * tests.front().t90_s);
}

TEST_CASE("a slow rise and fall of the water is no lift", "[diagnosis][capture]") {
    Bench bench;
    bench.rig.probe(0).blasted = false;
    // An aerator that takes the water to saturation in half an hour, and a bloom beyond it by day.
    bench.rig.water = [](double h) {
        double const in_day = std::fmod(h, 8.0);
        return in_day < 4.0 ? ramp(in_day, 1.0, 0.5, 3.0, 9.0) : ramp(in_day, 5.0, 1.5, 9.0, 3.0);
    };
    bench.run(48.0);
    CHECK(bench.heard.tests.empty());
}

TEST_CASE("the aeration switched off is a test where a bit tells of it, and none where nothing does",
          "[diagnosis][capture]") {
    bool const told = GENERATE(true, false);
    CAPTURE(told);
    Bench bench{site_of(1, 5.0)};
    bench.rig.probe(0).blasted = false;
    bench.rig.probe(0).noise = 0.005;
    // On for an hour at 6 mg/L; off, it falls 5 mg/L within 20 minutes, and comes back within ten.
    bench.rig.water = [](double h) {
        double const in = std::fmod(h, 2.0);
        return in < 1.0 ? ramp(in, 0.0, 1.0 / 6.0, 1.0, 6.0) : ramp(in, 1.0, 1.0 / 3.0, 6.0, 1.0);
    };
    if (told) {
        bench.rig.aeration = [](double h) { return std::fmod(h, 2.0) < 1.0; };
    }
    bench.run(24.0);
    auto const tests = bench.heard.used(TestSource::aeration_off);
    CHECK(tests.empty() != told);
    for (auto const& test : tests) {
        CHECK(test.t90_s > 15.0);
        CHECK(test.t90_s < 110.0);
    }
    CHECK(bench.heard.used(TestSource::air_exposure).empty());
}

TEST_CASE("a gap in the readings ends what was being watched, and no test comes out of it",
          "[diagnosis][capture]") {
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.run(3.0);
    auto& probe = bench.rig.probe(0);
    probe.in_air = probe.hold = true;
    bench.run(301.0 / 3600.0);
    probe.in_air = probe.hold = false;
    bench.run(30.0 / 3600.0);
    probe.silent = true;
    bench.run(0.5);
    probe.silent = false;
    bench.run(2.0);
    CHECK(bench.heard.tests.empty());
}

TEST_CASE("a blast too near to what the water holds is kept, and set aside with the reason",
          "[diagnosis][capture]") {
    Bench bench;
    bench.rig.water = [](double) { return saturation_20 - 0.02; };
    bench.run(24.0);
    REQUIRE_FALSE(bench.heard.tests.empty());
    for (auto const& [place, test] : bench.heard.tests) {
        CHECK_FALSE(test.used);
        CHECK_FALSE(test.set_aside.empty());
    }
    CHECK_FALSE(bench.site.verdict(0).t90);
}

TEST_CASE("readings that the device calls bad test nothing", "[diagnosis][capture]") {
    Rig rig{1};
    SiteDiagnosis site{site_of(1)};
    Heard heard;
    rig.run(24.0, [&](std::size_t place, Reading r) {
        r.set(mark_fault, true);
        site.take(place, r, heard);
    });
    CHECK(heard.tests.empty());
}

TEST_CASE("blasts that stop reaching the membrane are named, unless the water leaves nothing to see",
          "[diagnosis][capture]") {
    bool const near_air = GENERATE(false, true);
    CAPTURE(near_air);
    Bench bench;
    bench.run(48.0);
    CHECK_FALSE(bench.heard.ever(Reason::cleaning_failed));
    if (near_air) {
        bench.rig.water = [](double) { return saturation_20; };
    } else {
        bench.rig.probe(0).blasts_reach = false;
    }
    bench.run(48.0);
    CHECK(bench.stands(Reason::cleaning_failed) != near_air);
}

TEST_CASE(
    "a new membrane that reads too little in air is no failed cleaning, and a cleaner left off after it is",
    "[diagnosis][capture]") {
    bool const left_off = GENERATE(false, true);
    CAPTURE(left_off);
    Bench bench;
    bench.rig.water = [](double) { return 7.5; };
    bench.run(72.0);
    bench.did(Act::membrane_change);
    bench.did(Act::air_calibration);
    bench.rig.probe(0).gain = 0.72;
    bench.rig.probe(0).t90_s = 60.0;
    bench.rig.probe(0).blasts_reach = !left_off;
    bench.run(96.0);
    CHECK(bench.heard.ever(Reason::cleaning_failed) == left_off);
}

TEST_CASE("blasts that reach the membrane again are told as such until two days have shown it",
          "[diagnosis][capture]") {
    Bench bench;
    bench.run(48.0);
    bench.rig.probe(0).blasts_reach = false;
    bench.run(48.0);
    REQUIRE(bench.find(Reason::cleaning_failed));
    CHECK(bench.find(Reason::cleaning_failed)->text.find("did not reach the membrane") != std::string::npos);
    bench.rig.probe(0).blasts_reach = true;
    bench.run(12.0);
    REQUIRE(bench.find(Reason::cleaning_failed));
    CHECK(bench.find(Reason::cleaning_failed)->text.find("the newest do again") != std::string::npos);
    bench.run(48.0);
    CHECK_FALSE(bench.stands(Reason::cleaning_failed));
}

TEST_CASE("a membrane that takes minutes shows its blasts late, and none of them was missed",
          "[diagnosis][capture]") {
    auto setup = site_of(1);
    setup.probes.front().t90_s = 60.0;
    Bench bench{setup};
    auto& probe = bench.rig.probe(0);
    // The rig lags by one exponential: what lags here is the water that it is given.
    probe.blasts_reach = false;
    probe.t90_s = 1.0;
    bench.rig.water = [](double h) {
        double const since_s = std::fmod(3600.0 * h - 1203.0 + 10800.0, 10800.0);
        double const t90_s = ramp(h - since_s / 3600.0, 72.0, 240.0, 60.0, 1000.0);
        auto const shown = membrane(t90_s);
        return since_s > 4000.0 ? 6.0 : 6.0 + 3.0 * (shown(since_s) - shown(since_s - 60.0));
    };
    bench.run(24.0 * 15.0);
    CHECK(bench.heard.ever(Reason::slow_response));
    CHECK_FALSE(bench.heard.ever(Reason::cleaning_failed));
}

TEST_CASE("what the water does at the blasts of a cleaner that has failed is no test of the probe",
          "[diagnosis][capture]") {
    bool const seldom = GENERATE(false, true);
    CAPTURE(seldom);
    Bench bench{site_of(1, seldom ? 30.0 : 10.0)};
    bench.run(72.0);
    REQUIRE(bench.site.verdict(0).t90);
    double const before_s = bench.site.verdict(0).t90->value_s;
    // The jet beside the membrane stirs the water, which comes to rest within minutes.
    bench.rig.probe(0).blasts_reach = false;
    bench.rig.water = [](double h) {
        double const since_s = std::fmod(3600.0 * h - 1203.0, 10800.0);
        return 6.0 + 1.2 * (since_s < 60.0 ? since_s / 60.0 : std::exp(-(since_s - 60.0) / 60.0));
    };
    bench.run(24.0 * 10.0);
    REQUIRE(bench.stands(Reason::cleaning_failed));
    CHECK(bench.site.verdict(0).t90->value_s == Approx(before_s).epsilon(0.1));
    CHECK_FALSE(bench.heard.ever(Reason::slow_response));
    CHECK_FALSE(bench.stands(Reason::verification_due));

    // Mended, its blasts are tests again.
    bench.rig.probe(0).blasts_reach = true;
    bench.rig.water = [](double) { return 6.0; };
    auto const used = bench.heard.used(TestSource::cleaning).size();
    bench.run(24.0);
    CHECK(bench.heard.used(TestSource::cleaning).size() > used);
}

TEST_CASE("a dead output shows no blast, and that is not told as a failed cleaning too",
          "[diagnosis][capture]") {
    Bench bench{2};
    bench.run(72.0);
    bench.rig.probe(0).shows = 0.0;
    bench.run(40.0 * 24.0);
    CHECK(bench.stands(Reason::no_signal));
    CHECK_FALSE(bench.heard.ever(Reason::cleaning_failed));
    CHECK_FALSE(bench.heard.ever(Reason::verification_due));
}

TEST_CASE("rare blasts need not fail for days to be named", "[diagnosis][capture]") {
    Bench bench;
    bench.rig.blast_every_s = 16 * 3600;
    bench.run(24.0 * 10.0);
    bench.rig.probe(0).blasts_reach = false;
    bench.run(60.0);
    CHECK(bench.stands(Reason::cleaning_failed));
}

TEST_CASE("blasts are missed, too, where the next poll comes when they are nearly over",
          "[diagnosis][capture]") {
    bool const fail = GENERATE(false, true);
    CAPTURE(fail);
    Bench bench{site_of(1, 60.0)};
    bench.rig.water = [](double) { return 7.5; };
    bench.rig.blast_s = 70;
    bench.run(24.0 * 4.0);
    bench.rig.probe(0).blasts_reach = !fail;
    bench.run(24.0 * 2.0);
    CHECK(bench.heard.ever(Reason::cleaning_failed) == fail);
}

TEST_CASE("a device that gives mg/L alone shows, too, that its blasts fail", "[diagnosis][capture]") {
    bool const fail = GENERATE(false, true);
    CAPTURE(fail);
    Bench bench;
    bench.rig.water = [](double h) { return 7.2 + 0.5 * std::sin(h / 4.0); };
    bench.rig.probe(0).percent = false;
    bench.run(24.0 * 4.0);
    bench.rig.probe(0).blasts_reach = !fail;
    bench.run(24.0 * 2.0);
    CHECK(bench.heard.ever(Reason::cleaning_failed) == fail);
}

TEST_CASE("a timer's blasts that no bit declares are missed when they stay away", "[diagnosis][capture]") {
    bool const stay_away = GENERATE(false, true);
    CAPTURE(stay_away);
    Bench bench;
    bench.rig.probe(0).blasts_declared = false;
    bench.rig.water = [](double) { return 3.0; };
    bench.run(24.0 * 4.0);
    if (stay_away) {
        bench.rig.probe(0).blasts_reach = false;
    } else {
        bench.rig.water = [](double) { return 0.97 * saturation_20; };  // too near to air to be found
    }
    bench.run(36.0);
    CHECK(bench.heard.ever(Reason::cleaning_failed) == stay_away);
}

TEST_CASE("air that the water held by the clock and that stays away is no cleaner that has failed",
          "[diagnosis][capture]") {
    bool lively = true;
    Bench bench;
    bench.rig.probe(0).blasted = false;
    // Each hour air for six minutes, which comes as quickly as a blast; the load takes it in twelve.
    bench.rig.water = [&](double hour) {
        double const minute = 60.0 * std::fmod(hour, 1.0);
        double const risen = 1.0 - std::exp(-std::min(minute, 6.0) / 0.3);
        double const left = std::max(0.0, 1.0 - std::max(0.0, minute - 6.0) / 12.0);
        return 2.0 + (lively ? 6.0 * risen * left : 0.0);
    };
    bench.run(24.0 * 4.0);
    CHECK(bench.heard.used(TestSource::air_exposure).empty());
    lively = false;
    bench.run(36.0);
    CHECK_FALSE(bench.heard.ever(Reason::cleaning_failed));
}

TEST_CASE("blasts that no bit declares and that edges of the air hide were not missed",
          "[diagnosis][capture]") {
    Bench bench;
    bench.rig.probe(0).blasts_declared = false;
    bench.rig.water = [](double) { return 3.0; };
    double early_s = 1800.0;
    bench.rig.aeration = [&](double hour) {
        return std::fmod(3600.0 * hour - 1203.0 + early_s, static_cast<double>(bench.rig.blast_every_s)) <
               1200.0;
    };
    bench.run(24.0 * 4.0);
    early_s = 30.0;
    bench.run(36.0);
    CHECK_FALSE(bench.heard.ever(Reason::cleaning_failed));
}

TEST_CASE("blasts that come soon after the air has come back were not missed", "[diagnosis][capture]") {
    // While the reading still climbs, for longer than a blast may be late; and just after it has been given
    // up as an exposure, so that the first that is seen of the blast is its tail.
    auto const [early_s, lasts_s] = GENERATE(std::pair{240.0, 3300.0}, std::pair{520.0, 1200.0});
    CAPTURE(early_s);
    Bench bench;
    bench.rig.probe(0).blasts_declared = false;
    bench.rig.water = [](double) { return 3.0; };
    bench.rig.aeration = [](double) { return true; };
    bench.run(24.0 * 4.0);
    auto const since_on_s = [&bench, early = early_s](double hour) {
        return std::fmod(3600.0 * hour - 1203.0 + early, static_cast<double>(bench.rig.blast_every_s));
    };
    auto const on_s = lasts_s;
    bench.rig.aeration = [=](double hour) { return since_on_s(hour) < on_s; };
    bench.rig.water = [=](double hour) {
        double const s = since_on_s(hour);
        return s < on_s ? 2.1 * (1.0 - std::exp(-s / 120.0)) : 2.1 * std::exp(-(s - on_s) / 200.0);
    };
    bench.run(48.0);
    CHECK_FALSE(bench.heard.ever(Reason::cleaning_failed));
}

TEST_CASE("blasts that waned before they failed tell it sooner", "[diagnosis][capture]") {
    bool const waned = GENERATE(true, false);
    CAPTURE(waned);
    Bench bench;
    bench.rig.blast_every_s = 11 * 3600;
    bench.run(24.0 * 10.0);
    bench.rig.probe(0).reach = waned ? 0.6 : 1.0;
    bench.run(22.0);
    CHECK_FALSE(bench.heard.ever(Reason::cleaning_failed));
    bench.rig.probe(0).blasts_reach = false;
    bench.run(22.0);
    CHECK(bench.heard.ever(Reason::cleaning_failed) == waned);
}

TEST_CASE("a probe too slow for blasts that no bit declares does not tell that they failed",
          "[diagnosis][capture]") {
    Bench bench;
    auto& probe = bench.rig.probe(0);
    probe.blasts_declared = false;
    bench.rig.water = [](double) { return 3.0; };
    bench.run(24.0 * 4.0);
    for (double slower = 50.0; slower < 200.0; slower *= 1.1) {
        probe.t90_s = slower;
        bench.run(24.0);
    }
    REQUIRE(bench.stands(Reason::slow_response));
    probe.blasts_reach = false;
    bench.run(24.0 * 3.0);
    CHECK_FALSE(bench.heard.ever(Reason::cleaning_failed));
}

TEST_CASE("where an output freezes and is read too seldom for the tail, blasts that show little do not fail",
          "[diagnosis][capture]") {
    bool const fail = GENERATE(false, true);
    CAPTURE(fail);
    auto setup = site_of(1, 60.0);
    setup.probes[0].t90_s = 60.0;
    Bench bench{setup};
    auto& probe = bench.rig.probe(0);
    probe.t90_s = 60.0;
    probe.freezes = true;
    // Near enough to air that a poll late in the tail shows nothing.
    bench.rig.water = [fail](double) { return fail ? 2.0 : 6.5; };
    bench.rig.blast_every_s = 3 * 3600 + 7;
    bench.run(24.0 * 20.0);
    probe.blasts_reach = !fail;
    bench.run(24.0 * 4.0);
    INFO(reasons(bench.site.verdict(0)));
    CHECK(bench.heard.ever(Reason::cleaning_failed) == fail);
}

TEST_CASE("without a temperature nobody knows how far water rich in oxygen is from air",
          "[diagnosis][capture]") {
    Bench bench;
    auto& probe = bench.rig.probe(0);
    probe.percent = false;
    bench.rig.water = [](double) { return 6.0; };
    bench.run(24.0 * 4.0);
    probe.reach = 0.2;  // as in colder water, which holds more, near its saturation
    bench.run(24.0 * 2.0);
    CHECK_FALSE(bench.heard.ever(Reason::cleaning_failed));
}

TEST_CASE("a probe that reads too much in air still shows its blasts", "[diagnosis][capture]") {
    Bench bench;
    auto& probe = bench.rig.probe(0);
    bench.rig.water = [](double) { return 7.0; };
    bench.run(24.0 * 2.0);
    probe.gain = 1.2;
    bench.run(24.0 * 3.0);
    // Its air is at 10.9 mg/L, and this water, above saturation, reads 10.7: nothing can be seen there.
    bench.rig.water = [](double) { return 8.9; };
    bench.run(24.0 * 3.0);
    CHECK_FALSE(bench.heard.ever(Reason::cleaning_failed));
}

TEST_CASE("where most blasts have always been missed, a run of misses is no failed cleaning",
          "[diagnosis][capture]") {
    Bench bench;
    for (int day = 0; day < 20; ++day) {
        bench.rig.probe(0).blasts_reach = true;
        bench.run(6.0);
        bench.rig.probe(0).blasts_reach = false;
        bench.run(18.0);  // six in a row
    }
    CHECK_FALSE(bench.heard.ever(Reason::cleaning_failed));
}

TEST_CASE("oxygen that comes and goes with the air is no lift of a slow probe", "[diagnosis][capture]") {
    auto setup = site_of(1);
    setup.probes[0].t90_s = 400.0;
    Bench bench{setup};
    bench.rig.probe(0).blasted = false;
    bench.rig.probe(0).t90_s = 450.0;
    bench.rig.aeration = [](double h) { return std::fmod(h, 1.1) < 0.25; };
    bench.rig.water = [](double h) {
        double const in_cycle = std::fmod(h, 1.1);
        return in_cycle < 0.25 ? 8.0 * (1.0 - std::exp(-in_cycle / 0.07))
                               : std::max(0.0, 7.8 - 60.0 * (in_cycle - 0.25));
    };
    bench.run(24.0 * 3.0);
    CHECK(bench.heard.used(TestSource::air_exposure).empty());
    CHECK(bench.heard.used(TestSource::aeration_off).size() > 10);
}

TEST_CASE("blasts in water that moves as much as they do are set aside", "[diagnosis][capture]") {
    Bench bench;
    bench.run(48.0);
    auto const calm = bench.site.verdict(0).t90->value_s;
    auto const before = bench.heard.used(TestSource::cleaning).size();
    bench.rig.water = [](double h) { return 6.0 + 0.22 * std::sin(2.0 * std::numbers::pi * h / 0.045); };
    bench.run(48.0);
    auto const moved = std::count_if(bench.heard.tests.begin(), bench.heard.tests.end(), [](auto const& t) {
        return t.test.set_aside == "the water moved by itself meanwhile";
    });
    CAPTURE(moved, bench.heard.used(TestSource::cleaning).size() - before);
    CHECK(moved > 4);
    CHECK(bench.site.verdict(0).t90->value_s == Approx(calm).epsilon(0.1));
}

TEST_CASE("edges of the air are no tests while a membrane moves its reading", "[diagnosis][capture]") {
    Bench bench{2};
    bench.rig.probe(0).blasted = bench.rig.probe(1).blasted = false;
    air_every_other_hour(bench.rig);
    bench.run(96.0);
    REQUIRE(bench.heard.used(TestSource::aeration_off).size() > 30);
    for (int hour = 0; hour < 72; ++hour) {
        bench.rig.probe(0).noise += 0.001;
        bench.run(1.0);
    }
    REQUIRE(bench.stands(Reason::fluctuation));
    auto const used = bench.heard.used(TestSource::aeration_off).size();
    bench.run(24.0);
    CHECK(bench.heard.used(TestSource::aeration_off).size() == used);
    auto const aside = std::count_if(bench.heard.tests.begin(), bench.heard.tests.end(), [](auto const& t) {
        return t.place == 0 && t.test.set_aside == "the membrane moves its reading too much";
    });
    CHECK(aside > 8);
    CHECK(bench.heard.used(TestSource::aeration_off, 1).size() > used);
}

TEST_CASE("what leaps through a hole as in a blast that nobody declares is no test", "[diagnosis][capture]") {
    Bench bench{2};
    bench.rig.water = [](double) { return 2.0; };
    bench.rig.probe(0).blasts_declared = bench.rig.probe(1).blasts_declared = false;
    bench.run(72.0);
    auto const used = bench.heard.used(TestSource::air_exposure).size();
    REQUIRE(used > 10);
    bench.rig.probe(0).noise = 0.2;
    bench.run(24.0);
    REQUIRE(bench.stands(Reason::membrane_damage));
    auto const before = bench.heard.used(TestSource::air_exposure).size();
    bench.run(24.0);
    CHECK(bench.heard.used(TestSource::air_exposure).size() == before);
    auto const aside = std::count_if(bench.heard.tests.begin(), bench.heard.tests.end(), [](auto const& t) {
        return t.place == 0 && t.test.set_aside == "a reading with a hole before it leaps as in a blast";
    });
    CHECK(aside > 3);
}

TEST_CASE("a probe without a thermometer borrows the temperature of its water", "[diagnosis][capture]") {
    Bench bench{2}, alone;
    for (auto* const b : {&bench, &alone}) {
        b->rig.probe(0).percent = false;
        b->rig.probe(0).t90_s = 56.0;  // 40 s at 20 degC, in water of 5 degC
    }
    bench.rig.probe(1).temperature_c = 5.0;
    bench.run(48.0);
    alone.run(48.0);
    auto const lent = bench.site.verdict(0).t90, none = alone.site.verdict(0).t90;
    REQUIRE(lent);
    REQUIRE(none);
    CHECK(*bench.heard.used(TestSource::cleaning).back().at_temperature_c == 5.0);
    CHECK_FALSE(alone.heard.used(TestSource::cleaning).back().at_temperature_c);
    CHECK(lent->value_s < none->value_s);
    CHECK(lent->high_s / lent->low_s < 0.8 * none->high_s / none->low_s);
}

TEST_CASE("blasts that were missed before the membrane was changed are no failure after it",
          "[diagnosis][capture]") {
    Bench bench;
    bench.run(96.0);
    bench.rig.probe(0).blasts_reach = false;
    bench.run(8.0);
    bench.did(Act::membrane_change);
    bench.rig.probe(0).blasted = false;  // until the cleaner is on again
    bench.run(24.0);
    CHECK_FALSE(bench.heard.ever(Reason::cleaning_failed));
}

TEST_CASE("how many blasts a new membrane shows is learned anew, and a cleaner left off is told later",
          "[diagnosis][capture]") {
    bool const changed = GENERATE(false, true);
    CAPTURE(changed);
    Bench bench;
    bench.run(96.0);
    if (changed) {
        bench.did(Act::membrane_change);
    }
    bench.rig.probe(0).blasts_reach = false;
    bench.run(36.0);
    CHECK(bench.heard.ever(Reason::cleaning_failed) != changed);
    bench.run(36.0);
    CHECK(bench.heard.ever(Reason::cleaning_failed));
}

TEST_CASE("falls that noise leaves little of do not make a quick probe slow by the few that are surer",
          "[diagnosis][capture]") {
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.rig.probe(0).t90_s = 18.0;
    bench.rig.probe(0).noise = 0.08;
    air_every_other_hour(bench.rig);
    bench.run(200.0);
    CHECK(bench.heard.tests.size() > 100);
    CHECK_FALSE(bench.site.verdict(0).t90);
}

TEST_CASE("a fall that begins long after the air stopped is no test of the probe", "[diagnosis][capture]") {
    ResponseFit fit;
    fit.tau_s = 20.0;
    fit.onset_s = 30.0;
    CHECK_FALSE(runs_on(fit, 12.0, 7.0));
    fit.onset_s = 100.0;
    CHECK(runs_on(fit, 12.0, 7.0));
    fit.tau_s = 250.0;
    CHECK_FALSE(runs_on(fit, 12.0, 7.0));
}

}  // namespace probekeeper::diagnosis::test

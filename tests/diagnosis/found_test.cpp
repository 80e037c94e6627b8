// Works with intermittent aeration where nothing tells when the air comes on: what its rises are good for,
// one by one and many together.
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <string>
#include <vector>

#include "diagnosis/bench.h"
#include "diagnosis/found.h"
#include "estimate/robust.h"

namespace probekeeper::diagnosis::test {
namespace {

// So long a blower is on in each hour. Briefly, the water still rises when it stops, and only its rises tell
// anything.
constexpr double briefly_h = 0.1, long_h = 0.3;

// An hour: a blower on, then off until long after the oxygen is used up; by the second. `least` is what the
// water never falls below.
std::vector<double> hour_of_water(double least, double on_h) {
    std::vector<double> course;
    double water = least, air = 0.0;
    for (int second = 0; second < 3600; ++second) {
        air += ((second < on_h * 3600.0 ? 1.0 : 0.0) - air) / 8.0;
        double const given = 12.0 / 3600.0 * air * (saturation_20 - water);
        double const used = 55.0 / 3600.0 * water / (water + 0.25);
        water = std::max(least, water + given - used);
        course.push_back(water);
    }
    return course;
}

SiteSetup works(double evidence_days) {
    auto setup = site_of(1, 10.0);
    setup.probes[0].limits.evidence_days = evidence_days;
    return setup;
}

Bench intermittent(double least = 0.0, double evidence_days = 6.0, double on_h = briefly_h) {
    Bench bench{works(evidence_days)};
    bench.rig.probe(0).blasted = false;
    bench.rig.blast_every_s = 10'000;  // out of step with the water
    bench.rig.water = [course = hour_of_water(least, on_h)](double hours) {
        return course[static_cast<std::size_t>(std::llround(hours * 3600.0)) % course.size()];
    };
    return bench;
}

std::size_t found_in(Bench const& bench) {
    auto const& tests = bench.heard.tests;
    return static_cast<std::size_t>(std::count_if(tests.begin(), tests.end(), [](auto const& t) {
        return t.test.source == TestSource::aeration_on &&
               t.test.set_aside.find("found") != std::string::npos;
    }));
}

}  // namespace

TEST_CASE("rises out of water without oxygen are found where no bit tells them, after three days",
          "[diagnosis][found]") {
    auto bench = intermittent();
    bench.run(71.0);
    CHECK(bench.heard.tests.empty());
    bench.run(49.0);
    CHECK(found_in(bench) > 20);
    CHECK(bench.heard.used(TestSource::aeration_on).empty());
    std::vector<double> t90;
    for (auto const& t : bench.heard.tests) {
        t90.push_back(t.test.t90_s);
        CHECK(t.test.high_s > t.test.t90_s);
        CHECK(t.test.low_s < t.test.t90_s);
    }
    CHECK(estimate::median_inplace(t90) == Approx(40.0).epsilon(0.35));
}

TEST_CASE("no rise is looked for where others test the probe, a bit tells the edges or there is no floor",
          "[diagnosis][found]") {
    SECTION("cleaning blasts") {
        auto bench = intermittent();
        bench.rig.probe(0).blasted = true;
        bench.run(144.0);
        CHECK(found_in(bench) == 0);
    }
    SECTION("a bit") {
        auto bench = intermittent();
        bench.rig.aeration = [](double h) { return std::fmod(h, 1.0) < briefly_h; };
        bench.run(144.0);
        CHECK(found_in(bench) == 0);
    }
    SECTION("water that always holds oxygen") {
        auto bench = intermittent(1.6);
        bench.run(144.0);
        CHECK(found_in(bench) == 0);
    }
}

TEST_CASE("found rises of a quick probe put a verification off, and make nothing good",
          "[diagnosis][found]") {
    auto bench = intermittent();
    bench.run(16.0 * 24.0);
    auto const d = bench.site.verdict(0);
    CAPTURE(reasons(d), d.t90_unknown);
    CHECK(d.findings.empty());
    CHECK_FALSE(bench.heard.ever(Reason::verification_due));
    CHECK(d.condition == Condition::unknown);
    CHECK_FALSE(d.next_evidence.empty());
    CHECK_FALSE(d.t90);
    CHECK(d.t90_unknown.find("found in the readings") != std::string::npos);

    // Once they end, they are old in time.
    bench.rig.water = [](double) { return 4.0; };
    bench.run(8.0 * 24.0);
    CHECK(bench.stands(Reason::verification_due));
}

TEST_CASE("falls whose moment no bit tells tell T90 together", "[diagnosis][found]") {
    for (double const t90_s : {40.0, 70.0}) {
        auto bench = intermittent(0.0, 6.0, long_h);
        bench.rig.probe(0).t90_s = t90_s;
        bench.run(8.0 * 24.0);
        auto const d = bench.site.verdict(0);
        CAPTURE(t90_s, reasons(d), d.t90_unknown);
        CHECK(bench.heard.used(TestSource::aeration_off).size() > 20);
        REQUIRE(d.t90);
        CHECK(d.t90->value_s == Approx(t90_s).epsilon(0.2));
        CHECK(d.t90->low_s < 0.85 * d.t90->value_s);  // the kind of response is open, and what all share
        CHECK(d.findings.empty());
    }
}

TEST_CASE("found falls name a slow probe that its rises leave open", "[diagnosis][found]") {
    auto bench = intermittent(0.0, 6.0, long_h);
    bench.rig.probe(0).t90_s = 130.0;  // expected are 40, and 80 is the limit
    bench.run(8.0 * 24.0);
    CHECK(bench.stands(Reason::slow_response));
    CHECK_FALSE(bench.heard.ever(Reason::verification_due));
}

TEST_CASE("found falls of a probe that is quicker than they can tell say nothing", "[diagnosis][found]") {
    auto bench = intermittent(0.0, 6.0, long_h);
    bench.rig.probe(0).t90_s = 5.0;
    bench.run(8.0 * 24.0);
    auto const d = bench.site.verdict(0);
    CHECK_FALSE(d.t90);
    CHECK(d.condition == Condition::unknown);
}

TEST_CASE("found rises that leave open whether a probe is slow put nothing off", "[diagnosis][found]") {
    auto bench = intermittent();
    bench.rig.probe(0).t90_s = 85.0;  // expected are 40, and 80 is the limit
    bench.run(8.0 * 24.0);
    auto const due = bench.find(Reason::verification_due);
    REQUIRE(due);
    CHECK(due->text.find("leave open whether it is slow") != std::string::npos);
    CHECK_FALSE(bench.stands(Reason::slow_response));
}

TEST_CASE("found rises name a probe that is far slower than it should be", "[diagnosis][found]") {
    auto bench = intermittent();
    bench.rig.probe(0).t90_s = 240.0;
    bench.run(8.0 * 24.0);
    auto const slow = bench.find(Reason::slow_response);
    REQUIRE(slow);
    CHECK(*slow->limit == Approx(80.0));
    CHECK(*slow->low > 80.0);
    CHECK(slow->text.find("Rises of the oxygen put T90 near") != std::string::npos);
    CHECK_FALSE(bench.site.verdict(0).t90);
    CHECK_FALSE(bench.heard.ever(Reason::verification_due));
}

TEST_CASE("a blast after found rises is what counts from then on", "[diagnosis][found]") {
    auto bench = intermittent();
    bench.run(6.0 * 24.0);
    REQUIRE(found_in(bench) > 0);
    bench.rig.probe(0).blasted = true;
    bench.run(2.0 * 24.0);
    auto const d = bench.site.verdict(0);
    CAPTURE(reasons(d));
    CHECK(d.condition == Condition::good);
    REQUIRE(d.t90);
    CHECK(d.t90->value_s == Approx(40.0).epsilon(0.2));
}

namespace {

constexpr std::int64_t hour_ms = 3'600'000, day_ms = 24 * hour_ms;

// A rise an hour, ten a day, from day `from` to before day `to`.
void rise(FoundLag& found, double late_s, int from, int to, double ln_error = 0.3, double height = 3.0) {
    ResponseFit fit;
    fit.late_s = late_s;
    fit.ln_error = ln_error;
    fit.step = height;
    for (int day = from; day < to; ++day) {
        for (int i = 0; i < 10; ++i) {
            found.take(day * day_ms + i * hour_ms, 0.0, fit, 9.1);
        }
    }
    found.settle(to * day_ms + hour_ms);
}

}  // namespace

TEST_CASE("found rises tell T90 roughly, for some days, once there are enough", "[diagnosis][found]") {
    FoundLag found;
    CHECK_FALSE(found.known(day_ms));
    rise(found, 28.0, 1, 4);
    auto const known = found.known(4 * day_ms);
    REQUIRE(known);
    // 8 s are the blower's, and T90 is 1.8 to 2.3 lags.
    CHECK(std::exp(known->ln_t90) == Approx(41.0).epsilon(0.05));
    CHECK(known->error > 0.25);
    CHECK(known->error < 0.45);
    CHECK_FALSE(known->ln_ratio);
    CHECK(found.known(12 * day_ms));
    CHECK_FALSE(found.known(20 * day_ms));
}

TEST_CASE("a new membrane's found rises are what later ones are held against", "[diagnosis][found]") {
    FoundLag found;
    found.new_life(0, true);
    rise(found, 28.0, 1, 5);
    rise(found, 78.0, 10, 16);
    auto const known = found.known(16 * day_ms);
    REQUIRE(known);
    REQUIRE(known->ln_ratio);
    CHECK(std::exp(*known->ln_ratio) == Approx(3.5));
    CHECK(known->ratio_error < known->error);
    CHECK(*known->ln_ratio - std::log(2.0) > 1.645 * known->ratio_error);

    SECTION("one of unknown age has no fresh value") {
        found.new_life(16 * day_ms, false);
        CHECK_FALSE(found.known(16 * day_ms));
        rise(found, 28.0, 17, 20);
        CHECK_FALSE(found.known(20 * day_ms)->ln_ratio);
    }
    SECTION("a wipe begins again, against the same fresh value") {
        found.wiped();
        CHECK_FALSE(found.known(16 * day_ms));
        rise(found, 28.0, 17, 20);
        CHECK(std::exp(*found.known(20 * day_ms)->ln_ratio) == Approx(1.0).margin(0.01));
    }
}

TEST_CASE("a diffuser that fails leaves found rises that tell little, and they know", "[diagnosis][found]") {
    FoundLag found;
    found.new_life(0, true);
    rise(found, 28.0, 1, 5);
    // The case that taught it: less air shrank the lag of a probe that had slowed three times.
    rise(found, 25.0, 20, 26, 0.75, 0.6);
    auto const known = found.known(26 * day_ms);
    REQUIRE(known);
    CHECK(*known->ln_ratio + 1.2816 * known->ratio_error > std::log(2.0));
}

}  // namespace probekeeper::diagnosis::test

// From tests to a verdict: good needs evidence, and what cannot be known says why.
#include <catch2/catch.hpp>
#include <cmath>

#include "diagnosis/bench.h"

namespace probekeeper::diagnosis::test {

TEST_CASE("a probe whose tests show it quick is good", "[diagnosis][evidence]") {
    Bench bench;
    bench.run(48.0);
    auto const d = bench.site.verdict(0);
    CAPTURE(reasons(d));
    CHECK(d.condition == Condition::good);
    CHECK(d.findings.empty());
    CHECK(d.next_evidence.empty());
    REQUIRE(d.t90);
    CHECK(d.t90->low_s < d.t90->value_s);
    CHECK(d.t90->high_s > d.t90->value_s);
    CHECK(d.t90->tests >= 8);
    CHECK(*d.t90->fresh_s == Approx(40.0));
    CHECK_FALSE(d.t90->fresh_learned);
    CHECK(*d.t90->ratio == Approx(1.0).margin(0.2));
}

TEST_CASE("a probe that nothing has tested is unknown, says why, and says what would settle it",
          "[diagnosis][evidence]") {
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.run(48.0);
    auto const d = bench.site.verdict(0);
    CHECK(d.condition == Condition::unknown);
    CHECK_FALSE(d.t90);
    CHECK_FALSE(d.t90_unknown.empty());
    CHECK_FALSE(d.background_unknown.empty());
    CHECK_FALSE(d.span_unknown.empty());
    CHECK_FALSE(d.next_evidence.empty());
    CHECK_FALSE(d.forecast);
}

TEST_CASE("before the first reading everything is unknown", "[diagnosis][evidence]") {
    SiteDiagnosis const site{site_of(2)};
    auto const d = site.verdict(1);
    CHECK(d.condition == Condition::unknown);
    CHECK_FALSE(d.t90_unknown.empty());
    CHECK_FALSE(d.background_unknown.empty());
    CHECK_FALSE(d.fluctuation_unknown.empty());
    CHECK_FALSE(d.span_unknown.empty());
    CHECK(d.findings.empty());
}

TEST_CASE("without a fresh value the ratio is unknown, and so is the condition", "[diagnosis][evidence]") {
    auto setup = site_of(1);
    setup.probes[0].t90_s.reset();
    Bench bench{setup};
    bench.run(48.0);
    auto const d = bench.site.verdict(0);
    REQUIRE(d.t90);
    CHECK(d.t90->value_s == Approx(40.0).epsilon(0.2));
    CHECK_FALSE(d.t90->fresh_s);
    CHECK_FALSE(d.t90->ratio);
    CHECK(d.condition == Condition::unknown);
    CHECK_FALSE(d.next_evidence.empty());
}

TEST_CASE("a probe that has become slow is named with its number, interval and limit",
          "[diagnosis][evidence]") {
    Bench bench;
    bench.run(48.0);
    bench.rig.probe(0).t90_s = 130.0;
    bench.run(96.0);
    auto const finding = bench.find(Reason::slow_response);
    REQUIRE(finding);
    CHECK(*finding->value == Approx(130.0).epsilon(0.2));
    CHECK(*finding->low > *finding->limit);
    CHECK(*finding->high > *finding->value);
    CHECK(*finding->limit == Approx(80.0));
    CHECK(finding->unit == "s");
    CHECK(finding->probability >= 0.95);
    REQUIRE(finding->since);
    CHECK(*finding->since <= finding->raised_at);
    CHECK(*finding->since >= day_one + Millis{48 * 3'600'000});
    CHECK_FALSE(finding->text.empty());
    CHECK(bench.site.condition(0) == Condition::maintenance_required);
}

TEST_CASE("a probe at nine tenths of its limit is left alone", "[diagnosis][evidence]") {
    Bench bench;
    bench.rig.probe(0).t90_s = 66.0;  // the limit is 80
    bench.run(240.0);
    CHECK_FALSE(bench.heard.ever(Reason::slow_response));
}

TEST_CASE("a probe that is rather past its limit than within it is not good while nobody can be sure",
          "[diagnosis][evidence]") {
    Bench bench;
    bench.rig.probe(0).t90_s = 82.0;  // the limit is 80
    bench.run(72.0);
    auto const verdict = bench.site.verdict(0);
    REQUIRE(verdict.t90);
    REQUIRE(verdict.t90->value_s > 80.0);
    REQUIRE(verdict.findings.empty());
    CHECK(verdict.condition == Condition::unknown);
    CHECK(verdict.next_evidence.find("rather past its limit") != std::string::npos);
}

TEST_CASE("a membrane change begins a new life, and what is fresh is learned from it",
          "[diagnosis][evidence]") {
    Bench bench;
    bench.rig.probe(0).t90_s = 130.0;
    bench.run(96.0);
    REQUIRE(bench.stands(Reason::slow_response));
    auto const tests_before = bench.site.verdict(0).t90->tests;
    bench.did(Act::membrane_change);
    bench.did(Act::air_calibration);
    CHECK_FALSE(bench.stands(Reason::slow_response));
    CHECK_FALSE(bench.site.verdict(0).t90);
    bench.rig.probe(0).t90_s = 55.0;  // another membrane is never quite as the one before
    bench.run(96.0);
    auto const d = bench.site.verdict(0);
    REQUIRE(d.t90);
    CHECK(d.t90->tests <= tests_before + 1);
    CHECK(d.t90->fresh_learned);
    CHECK(*d.t90->fresh_s == Approx(55.0).epsilon(0.2));
    CHECK(d.t90->value_s == Approx(55.0).epsilon(0.2));
    CHECK(*d.t90->ratio == Approx(1.0).margin(0.15));
    CHECK(d.condition == Condition::good);
    bench.rig.probe(0).t90_s = 95.0;  // more than twice the 40 s configured, not of the 55 s learned
    bench.run(120.0);
    CHECK_FALSE(bench.stands(Reason::slow_response));
}

TEST_CASE("tests while a new membrane settles are set aside", "[diagnosis][evidence]") {
    Bench bench;
    bench.rig.blast_every_s = 1800;
    bench.run(12.0);
    auto const changed = bench.rig.now();
    bench.did(Act::membrane_change);
    for (int i = 0; i < 90; ++i) {  // it creeps
        bench.rig.probe(0).gain = 1.0 + 1.3 * std::exp(-i / 30.0);
        bench.run(1.0 / 60.0);
    }
    bool any = false;
    for (auto const& [place, test] : bench.heard.tests) {
        if (test.time > changed) {
            any = true;
            CHECK_FALSE(test.used);
            CHECK_FALSE(test.set_aside.empty());
        }
    }
    CHECK(any);
}

TEST_CASE("a wipe may make a probe quicker without ending its membrane's life", "[diagnosis][evidence]") {
    Bench bench;
    bench.did(Act::membrane_change);
    bench.run(96.0);
    bench.rig.probe(0).t90_s = 70.0;  // slime
    bench.run(96.0);
    auto const tests_before = bench.site.verdict(0).t90->tests;
    bench.did(Act::membrane_wipe);
    bench.rig.probe(0).t90_s = 42.0;
    bench.run(72.0);
    auto const d = bench.site.verdict(0);
    CHECK(d.t90->value_s == Approx(42.0).epsilon(0.2));
    CHECK(d.t90->fresh_learned);
    CHECK(d.t90->tests > tests_before);
}

TEST_CASE("a verification is due after so many days without a test, and a test answers it",
          "[diagnosis][evidence]") {
    auto setup = site_of(1);
    setup.probes[0].limits.evidence_days = 5.0;
    Bench bench{setup};
    bench.run(24.0);
    REQUIRE(bench.site.condition(0) == Condition::good);
    bench.rig.probe(0).blasted = false;
    bench.run(4.5 * 24.0);
    CHECK_FALSE(bench.heard.ever(Reason::verification_due));
    bench.run(24.0);
    CHECK(bench.stands(Reason::verification_due));
    CHECK(bench.site.condition(0) == Condition::unknown);
    CHECK_FALSE(bench.site.verdict(0).next_evidence.empty());
    bench.rig.probe(0).blasted = true;
    bench.run(24.0);
    CHECK_FALSE(bench.stands(Reason::verification_due));
    CHECK(bench.site.condition(0) == Condition::good);
}

TEST_CASE("a response that slows day by day is forecast to cross its limit, before it does",
          "[diagnosis][evidence]") {
    Bench bench{site_of(1, 20.0)};
    bench.did(Act::membrane_change);
    // Doubles, and so crosses its limit, on day 28.
    std::optional<Forecast> forecast;
    std::optional<Finding> early;
    for (int day = 0; day < 27; ++day) {
        bench.rig.probe(0).t90_s = 40.0 * std::exp2(day / 28.0);
        bench.run(24.0);
        auto const d = bench.site.verdict(0);
        if (d.forecast) {
            forecast = d.forecast;
            CHECK(d.forecast->reason == Reason::slow_response);
            CHECK(d.forecast->due >= d.at);
            CHECK(d.forecast->earliest <= d.forecast->due);
            CHECK(d.forecast->latest >= d.forecast->due);
        }
        if (auto const f = bench.find(Reason::slow_response); f && !early) {
            early = f;
        }
    }
    REQUIRE(forecast);
    CHECK(std::abs(seconds_between(day_one + days(28.0), forecast->due)) < 8.0 * 86'400.0);
    REQUIRE(early);  // within the horizon of 14 days
    CHECK_FALSE(early->since);
    CHECK(early->due);
}

TEST_CASE("a forecast leaves open what is open of the fresh value", "[diagnosis][evidence]") {
    bool const learned = GENERATE(true, false);
    CAPTURE(learned);
    Bench bench{site_of(1, 20.0)};
    if (learned) {
        bench.did(Act::membrane_change);
    }
    double later_s = 0.0;  // than it is due, at the first forecast
    for (int day = 0; day < 27 && later_s == 0.0; ++day) {
        bench.rig.probe(0).t90_s = 40.0 * std::exp2(day / 28.0);
        bench.run(24.0);
        auto const d = bench.site.verdict(0);
        later_s = d.forecast ? seconds_between(d.forecast->due, d.forecast->latest) : 0.0;
    }
    REQUIRE(later_s > 0.0);
    // An eighth of T90, as far as a configured one is open, is five days at this rate.
    CHECK((later_s > 13.0 * 86'400.0) != learned);
}

TEST_CASE("a steady probe has no forecast", "[diagnosis][evidence]") {
    Bench bench;
    bench.run(20.0 * 24.0);
    CHECK_FALSE(bench.site.verdict(0).forecast);
}

TEST_CASE("what is a failure stands first among the findings", "[diagnosis][evidence]") {
    Bench bench{2};
    bench.rig.probe(0).t90_s = 130.0;
    bench.run(96.0);
    REQUIRE(bench.stands(Reason::slow_response));
    bench.rig.probe(0).shows = 0.0;
    bench.run(8.0);
    auto const d = bench.site.verdict(0);
    REQUIRE(d.findings.size() >= 2);
    CHECK(d.findings.front().reason == Reason::no_signal);
    CHECK(d.condition == Condition::failure);
}

}  // namespace probekeeper::diagnosis::test

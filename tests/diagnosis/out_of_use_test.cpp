// Probes that are parked: nothing is judged while the water is gone, and the return asks for a check.
#include <catch2/catch.hpp>

#include "diagnosis/bench.h"

namespace probekeeper::diagnosis::test {
namespace {

void park(Bench& bench, double from_h, std::optional<double> until_h, std::size_t place = 0) {
    auto const at = [](double h) { return day_one + seconds(3600.0 * h); };
    bench.site.out_of_use(place, {{at(from_h), until_h ? at(*until_h) : Timestamp::max()}});
}

// As in a tank that is drained: the probe hangs dry and dead.
void drain(Bench& bench, std::size_t place = 0) {
    bench.rig.probe(place).shows = 0.0;
}

void fill(Bench& bench, std::size_t place = 0) {
    bench.rig.probe(place).shows.reset();
}

}  // namespace

TEST_CASE(
    "a drained probe that was told to be out of use raises nothing, and its twin that was not told does",
    "[diagnosis][out_of_use]") {
    auto const told = GENERATE(true, false);
    CAPTURE(told);
    Bench bench{2};
    bench.rig.aeration = [](double) { return true; };
    if (told) {
        park(bench, 72.0, std::nullopt);
    }
    bench.run(72.5);
    drain(bench);
    bench.run(96.0);
    CHECK(bench.heard.ever(Reason::no_signal) == !told);
    if (told) {
        CHECK(bench.site.verdict(0).service_state == ServiceState::out_of_use);
        CHECK(bench.site.verdict(0).condition == Condition::unknown);
        CHECK(bench.site.verdict(0).findings.empty());
        CHECK_THAT(bench.site.verdict(0).next_evidence, Catch::StartsWith("out of use since 2026-03-04"));
        CHECK(bench.site.verdict(1).service_state == ServiceState::in_service);
    }
}

TEST_CASE("a probe out of use may be silent, before and after its line's other probes",
          "[diagnosis][out_of_use]") {
    Bench bench{2};
    park(bench, 24.0, 72.0);
    bench.run(24.5);
    bench.rig.probe(0).silent = true;
    bench.run(47.0);
    CHECK_FALSE(bench.heard.ever(Reason::no_communication));
    // Its silence counts from its return, not from the day it was parked.
    bench.run(4.0);
    CHECK_FALSE(bench.heard.ever(Reason::no_communication));
    bench.run(1.5);
    CHECK(bench.heard.ever(Reason::no_communication));
}

TEST_CASE("a return to use asks for a check until something has tested the probe",
          "[diagnosis][out_of_use]") {
    Bench bench{2};
    park(bench, 72.0, 96.0);
    bench.run(72.5);
    REQUIRE(bench.site.verdict(0).condition == Condition::unknown);
    drain(bench);
    bench.run(23.0);
    fill(bench);
    bench.rig.probe(0).blasted = false;
    bench.run(6.0);
    auto const asked = bench.find(Reason::verification_due);
    REQUIRE(asked);
    CHECK(asked->text == "It came back into use at 2026-03-05 00:00 UTC and nothing has tested it since");
    CHECK(bench.site.verdict(0).service_state == ServiceState::in_service);
    CHECK(bench.site.verdict(0).condition == Condition::unknown);
    CHECK(bench.site.verdict(0).next_evidence == "lift five minutes into air and put back");
    CHECK_FALSE(bench.heard.ever(Reason::no_signal));
    CHECK_FALSE(bench.heard.ever(Reason::stuck));
    CHECK_FALSE(bench.stands(Reason::verification_due, 1));
    bench.rig.probe(0).blasted = true;
    bench.run(12.0);
    CHECK_FALSE(bench.stands(Reason::verification_due));
    CHECK(bench.site.verdict(0).condition == Condition::good);
}

TEST_CASE("a reason that stood before goes on standing after the return, as itself",
          "[diagnosis][out_of_use]") {
    Bench bench{2};
    bench.rig.probe(0).t90_s = 130.0;
    bench.run(72.0);
    auto const before = bench.find(Reason::slow_response);
    REQUIRE(before);
    park(bench, 72.0, 96.0);
    bench.run(12.0);
    CHECK_FALSE(bench.stands(Reason::slow_response));
    bench.run(14.0);
    auto const after = bench.find(Reason::slow_response);
    REQUIRE(after);
    CHECK(after->raised_at == before->raised_at);
}

TEST_CASE("a checkpoint in the middle of an absence goes on as if nothing had been",
          "[diagnosis][out_of_use]") {
    Bench through{2}, broken{2};
    for (auto* bench : {&through, &broken}) {
        park(*bench, 24.0, 48.0);
        bench->run(36.0);
    }
    SiteDiagnosis again{site_of(2)};
    REQUIRE(again.restore(broken.site.checkpoint()));
    again.out_of_use(0, {{day_one + days(1.0), day_one + days(2.0)}});
    broken.site = std::move(again);
    through.run(24.0);
    broken.run(24.0);
    CHECK(through.site.checkpoint() == broken.site.checkpoint());
    CHECK(through.site.verdict(0).service_state == ServiceState::in_service);
}

TEST_CASE("what an instrument was when fresh goes with it into another position",
          "[diagnosis][instruments]") {
    Bench bench{2};
    bench.rig.probe(0).t90_s = 55.0;
    bench.run(24.0);
    bench.did(Act::membrane_change, 0);
    bench.run(24.0 * 12.0);
    auto const learned = bench.site.verdict(0).t90;
    REQUIRE(learned);
    REQUIRE(learned->fresh_learned);

    Handling there, back;
    there.act = back.act = Act::probe_swap;
    there.left = "B", there.came = "A", there.came_from = 0;
    back.left = "A", back.came = "B", back.came_from = 1;
    SECTION("that exchanges its instrument in the same instant") {
        bench.did(there, 1);
        bench.did(back, 0);
    }
    SECTION("after a time in the workshop, and over a restart") {
        auto out = back;
        out.came = "C", out.came_from.reset();
        bench.did(out, 0);
        bench.run(24.0);
        SiteDiagnosis again{site_of(2)};
        REQUIRE(again.restore(bench.site.checkpoint()));
        bench.site = std::move(again);
        there.came_from.reset();
        bench.did(there, 1);
    }
    bench.rig.probe(1).t90_s = 55.0;
    bench.rig.probe(0).t90_s = 40.0;
    bench.run(48.0);
    auto const moved = bench.site.verdict(1).t90;
    REQUIRE(moved);
    CHECK(moved->fresh_learned);
    CHECK(*moved->fresh_s == Approx(*learned->fresh_s).epsilon(0.02));
    CHECK(*moved->ratio == Approx(1.0).margin(0.15));
    // What came back was never fresh under our eyes.
    REQUIRE(bench.site.verdict(0).t90);
    CHECK_FALSE(bench.site.verdict(0).t90->fresh_learned);
}

}  // namespace probekeeper::diagnosis::test

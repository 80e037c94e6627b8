// Silence: the probe's own, or an outage of its line or site that is nobody's ticket.
#include <catch2/catch.hpp>

#include "diagnosis/bench.h"

namespace probekeeper::diagnosis::test {
namespace {

SiteSetup on_lines(std::vector<std::size_t> const& lines) {
    auto setup = site_of(lines.size(), 30.0);
    for (std::size_t i = 0; i < lines.size(); ++i) {
        setup.probes[i].line = lines[i];
    }
    return setup;
}

void silence(Bench& bench, std::vector<std::size_t> const& places) {
    for (auto const place : places) {
        bench.rig.probe(place).silent = true;
    }
}

}  // namespace

TEST_CASE("one probe that falls silent is named after its limit, and not before", "[diagnosis][silence]") {
    Bench bench{on_lines({1, 1, 2})};
    bench.run(24.0);
    silence(bench, {0});
    bench.run(3.8);
    CHECK_FALSE(bench.heard.ever(Reason::no_communication));
    bench.run(0.4);
    auto const finding = bench.find(Reason::no_communication);
    REQUIRE(finding);
    CHECK(bench.site.condition(0) == Condition::failure);
    REQUIRE(finding->since);
    CHECK(std::abs(seconds_between(day_one + Millis{24 * 3'600'000}, *finding->since)) < 60.0);
    bench.rig.probe(0).silent = false;
    bench.run(0.5);
    CHECK_FALSE(bench.stands(Reason::no_communication));
    CHECK_FALSE(bench.heard.ever(Reason::no_communication, 1));
    CHECK_FALSE(bench.heard.ever(Reason::no_communication, 2));
}

TEST_CASE("a probe that gives only bad readings is silent", "[diagnosis][silence]") {
    Rig rig{2, 1, 30.0};
    SiteDiagnosis site{on_lines({1, 1})};
    Heard heard;
    auto const feed = [&](bool bad) {
        return [&site, &heard, bad](std::size_t place, Reading r) {
            r.set(mark_fault, bad && place == 0);
            site.take(place, r, heard);
        };
    };
    rig.run(24.0, feed(false));
    rig.run(5.0, feed(true));
    CHECK(heard.ever(Reason::no_communication, 0));
    CHECK_FALSE(heard.ever(Reason::no_communication, 1));
}

TEST_CASE("when all probes of a line fall silent together it is the line's outage", "[diagnosis][silence]") {
    Bench bench{on_lines({1, 1, 2})};
    bench.run(24.0);
    silence(bench, {0, 1});
    bench.run(30.0);
    CHECK_FALSE(bench.heard.ever(Reason::no_communication, 0));
    CHECK_FALSE(bench.heard.ever(Reason::no_communication, 1));
    CHECK(bench.site.condition(0) == Condition::unknown);  // good needs readings

    SECTION("one that does not come back with the line is its own again") {
        bench.rig.probe(1).silent = false;
        bench.run(3.5);
        CHECK_FALSE(bench.heard.ever(Reason::no_communication, 0));
        bench.run(1.0);
        CHECK(bench.stands(Reason::no_communication, 0));
    }
}

TEST_CASE("when all lines of a site fall silent together it is the site's outage", "[diagnosis][silence]") {
    Bench bench{on_lines({1, 2, 3})};
    bench.run(24.0);
    silence(bench, {0, 1, 2});
    bench.run(30.0);
    for (std::size_t place = 0; place < 3; ++place) {
        CHECK_FALSE(bench.heard.ever(Reason::no_communication, place));
    }
}

TEST_CASE("probes of a line that fall silent on different days are each their own", "[diagnosis][silence]") {
    Bench bench{on_lines({1, 1, 2})};
    bench.run(24.0);
    silence(bench, {0});
    bench.run(24.0);
    silence(bench, {1});
    bench.run(24.0);
    CHECK(bench.stands(Reason::no_communication, 0));
    CHECK(bench.stands(Reason::no_communication, 1));
}

TEST_CASE("the silence of a probe alone on its site is its own", "[diagnosis][silence]") {
    Bench bench{on_lines({1})};
    bench.run(24.0);
    silence(bench, {0});
    bench.run(5.0);
    CHECK(bench.stands(Reason::no_communication, 0));
}

TEST_CASE("the daemon's own downtime is no silence of a probe", "[diagnosis][silence]") {
    Bench bench{on_lines({1, 1})};
    bench.run(24.0);
    // Ten hours in which nobody listened; after them one probe does not answer.
    auto const stopped = bench.rig.now();
    bench.rig.run(10.0, [](std::size_t, Reading const&) {});
    bench.site.excuse(stopped, bench.rig.now());
    bench.rig.probe(0).silent = true;
    bench.run(3.8);
    CHECK_FALSE(bench.heard.ever(Reason::no_communication, 0));
    bench.run(0.5);
    CHECK(bench.stands(Reason::no_communication, 0));
    CHECK_FALSE(bench.heard.ever(Reason::no_communication, 1));
}

TEST_CASE("a configured probe that never answers is named too", "[diagnosis][silence]") {
    Bench bench{on_lines({1, 1})};
    bench.rig.probe(0).silent = true;
    bench.run(3.8);
    CHECK_FALSE(bench.heard.ever(Reason::no_communication));
    bench.run(0.5);
    CHECK(bench.stands(Reason::no_communication, 0));
}

TEST_CASE("files that stop for a day and go on are no silence of the probes that come second",
          "[diagnosis][silence]") {
    Bench bench{site_of(3, 30.0)};
    bench.run(24.0);
    silence(bench, {0, 1, 2});
    bench.run(20.0);
    for (std::size_t i = 0; i < 3; ++i) {
        bench.rig.probe(i).silent = i == 2;
    }
    bench.run(3.5);
    for (std::size_t i = 0; i < 3; ++i) {
        CAPTURE(i);
        CHECK_FALSE(bench.heard.ever(Reason::no_communication, i));
    }
    bench.run(1.0);
    CHECK(bench.stands(Reason::no_communication, 2));  // it did not come back with the others
}

}  // namespace probekeeper::diagnosis::test

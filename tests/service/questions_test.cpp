#include "service/questions.h"

#include <catch2/catch.hpp>

#include "service/support.h"

using namespace probekeeper;
using namespace probekeeper::service;
using namespace probekeeper::service::testing;

namespace {

HandlingSeen seen(std::string probe, double day) {
    return {std::move(probe), at_day(day), at_day(day) + std::chrono::minutes{9}};
}

}  // namespace

TEST_CASE("work at one probe, while the readings show another in hand, is asked about",
          "[service][questions]") {
    Around around;
    around.seen = {seen("tank-2", 5.02)};
    auto const asked = questions_about(work(5.0), around);
    REQUIRE(asked.size() == 1);
    CHECK_THAT(asked[0], Catch::Contains("no handling of tank-1") &&
                             Catch::Contains("tank-2 (2026-03-06T06:28") &&
                             Catch::EndsWith("enter it for that probe"));
}

TEST_CASE("nothing is asked where the readings show the recorded probe in hand, or nothing at all",
          "[service][questions]") {
    Around around;
    CHECK(questions_about(work(5.0), around).empty());
    around.seen = {seen("tank-2", 5.02), seen("tank-1", 5.03)};
    CHECK(questions_about(work(5.0), around).empty());
}

TEST_CASE("handling that another record of the visit tells of is no reason to ask", "[service][questions]") {
    Around around;
    around.seen = {seen("tank-2", 5.02)};
    around.recorded = {"tank-2"};
    CHECK(questions_about(work(5.0), around).empty());
}

TEST_CASE("work that leaves the probe in the water is not asked about", "[service][questions]") {
    Around around;
    around.seen = {seen("tank-2", 5.02)};
    auto const kind = GENERATE(Work::settings_change, Work::inspection, Work::reference_check, Work::moved);
    CHECK(questions_about(work(5.0, kind), around).empty());
}

TEST_CASE("a serial that is not in the position is asked about, unless it was just swapped in",
          "[service][questions]") {
    Around around;
    around.serial = "A";
    auto record = work(5.0, Work::settings_change);
    record.serial = "B";
    auto const asked = questions_about(record, around);
    REQUIRE(asked.size() == 1);
    CHECK_THAT(asked[0], Catch::Contains("names instrument B, and A is in this position"));
    record.serial = "A";
    CHECK(questions_about(record, around).empty());
    record.kind = Work::probe_swap;
    record.serial = "B";
    CHECK(questions_about(record, around).empty());
}

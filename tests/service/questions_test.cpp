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

std::vector<Record const*> pointers(std::vector<Record> const& records) {
    std::vector<Record const*> all;
    for (auto const& record : records) {
        all.push_back(&record);
    }
    return all;
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

TEST_CASE("handling is what the readings show in hand around the record, and settling is none",
          "[service][questions]") {
    using diagnosis::ServiceState;
    auto const change = [](double day, ServiceState state) {
        return diagnosis::ServiceChange{at_day(day), at_day(day + 0.002), state};
    };
    ServiceChanges seen;
    seen["tank-2"] = {change(4.0, ServiceState::in_hand), change(4.01, ServiceState::in_service),
                      change(5.02, ServiceState::in_hand), change(5.03, ServiceState::in_service)};
    seen["tank-3"] = {change(5.0, ServiceState::settling), change(5.02, ServiceState::awaiting_calibration)};
    std::vector<Record> const others{work(5.01, Work::membrane_change, "tank-1"),
                                     work(5.1, Work::inspection, "tank-4"),
                                     work(6.0, Work::inspection, "tank-5")};
    auto const found = around(work(5.0), pointers(others), seen, "A");
    REQUIRE(found.seen.size() == 1);
    CHECK(found.seen[0].probe == "tank-2");
    CHECK(found.seen[0].from == at_day(5.02));
    CHECK(found.seen[0].until == at_day(5.03));
    CHECK(found.recorded == std::vector<std::string>{"tank-4"});
    CHECK(found.serial == "A");
    SECTION("one that goes on has been seen as far as it is known") {
        seen["tank-2"].pop_back();
        CHECK(around(work(5.0), {}, seen, "").seen[0].until == seen["tank-2"].back().known);
    }
    SECTION("a visit of one name lasts as long as it is named") {
        auto record = work(5.0), far = work(9.0, Work::inspection, "tank-6");
        record.visit = far.visit = "round-9";
        CHECK(around(record, std::vector<Record const*>{&far}, {}, "").recorded ==
              std::vector<std::string>{"tank-6"});
    }
}

TEST_CASE("a visit is told what it still wants", "[service][questions]") {
    auto change = work(5.0);
    auto const calibration = work(5.02, Work::air_calibration);
    CHECK(still_to_do(change, std::vector<Record const*>{&change, &calibration}, 0.1).empty());
    auto const wanted = still_to_do(change, std::vector<Record const*>{&change}, 0.1);
    REQUIRE(wanted.size() == 1);
    CHECK_THAT(wanted[0], Catch::Contains("calibrate the new membrane in air"));
    change.dry_zero_mg_l = 0.24;
    auto const dirty = still_to_do(change, std::vector<Record const*>{&change, &calibration}, 0.1);
    REQUIRE(dirty.size() == 1);
    CHECK_THAT(dirty[0], Catch::Contains("0.24 mg/L dry") && Catch::Contains("clean the cathode again"));
    change.dry_zero_mg_l = -0.05;
    CHECK(still_to_do(change, std::vector<Record const*>{&change, &calibration}, 0.1).empty());
}

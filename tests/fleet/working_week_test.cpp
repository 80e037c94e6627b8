#include "fleet/working_week.h"

#include <catch2/catch.hpp>

#include "fleet/load.h"

namespace probekeeper::fleet {
namespace {

using namespace std::chrono_literals;

TEST_CASE("what decides a real week is read as it is written", "[fleet][rounds]") {
    auto const loaded = load(PROBEKEEPER_SOURCE_DIR "/tests/fleet/good/rounds.toml");
    REQUIRE(loaded.fleet);
    auto const& fleet = *loaded.fleet;
    CHECK(fleet.rounds.road_factor == 1.4);
    CHECK(fleet.rounds.pull_forward_days == 21);
    CHECK(fleet.rounds.travel_minutes.at({"weir", "north"}) == 40.5);
    REQUIRE(fleet.depots.size() == 1);
    CHECK(fleet.depots[0].address == "1 Yard Lane");
    REQUIRE(fleet.technicians.size() == 1);
    auto const& technician = fleet.technicians[0];
    CHECK(technician.hours[4] == HourSpan{480, 840});
    CHECK_FALSE(technician.hours[2]);
    CHECK(technician.absences[1].holds(2027y / 1 / 1));
    CHECK_FALSE(technician.absences[0].holds(2026y / 12 / 25));
    CHECK(technician.skills == std::vector<std::string>{"boat", "confined_space"});
    auto const& weir = fleet.sites[*fleet.find_site("weir")].access;
    CHECK(weir.windows[0].empty());
    CHECK(weir.windows[1] == std::vector<HourSpan>{{480, 720}, {780, 960}});
    CHECK(weir.two_person);
    CHECK(weir.biosecurity == Biosecurity::suspect);
    CHECK(weir.check_days == 28);
    CHECK(to_rfc3339(weir.only.at(0).to) == "2026-12-01T08:00:00.000Z");
    auto const& plain = fleet.sites[*fleet.find_site("plain")].access;
    CHECK(plain.windows[6] == std::vector<HourSpan>{{0, 1440}});
    CHECK(plain.biosecurity == Biosecurity::wastewater);
}

TEST_CASE("hours and days have one form", "[fleet][rounds]") {
    CHECK(parse_hours("00:00-24:00") == HourSpan{0, 1440});
    for (auto const* wrong :
         {"", "08:00", "08:00-08:00", "8:00-17:00", "08:60-17:00", "08:00-24:01", "+8:00-17:00"}) {
        CAPTURE(wrong);
        CHECK_FALSE(parse_hours(wrong));
    }
    CHECK(parse_days("2026-02-28/2026-02-28"));
    for (auto const* wrong : {"", "2026-02-29", "2026-2-28", "2026-03-01/2026-02-28", "2026-03-01/"}) {
        CAPTURE(wrong);
        CHECK_FALSE(parse_days(wrong));
    }
}

}  // namespace
}  // namespace probekeeper::fleet

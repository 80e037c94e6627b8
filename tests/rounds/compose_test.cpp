#include "rounds/compose.h"

#include <catch2/catch.hpp>

#include "rounds/estate.h"
#include "rounds/travel.h"

namespace probekeeper::rounds {
namespace {

using namespace std::chrono_literals;
using service::Urgency;

Round made(fleet::Fleet const& fleet, Asked const& asked) {
    SearchSettings settings;
    settings.iterations = 1000;
    return plan_round(fleet, asked, settings);
}

// Sites in the order in which anybody comes to them, a day after the other.
std::vector<std::string> way_of(Round const& round) {
    std::vector<std::string> sites;
    for (auto const& technician : round.technicians) {
        for (auto const& day : technician.days) {
            for (auto const& stop : day.stops) {
                sites.push_back(stop.site);
            }
        }
    }
    return sites;
}

RoundStop const* stop_at(Round const& round, std::string const& site) {
    for (auto const& technician : round.technicians) {
        for (auto const& day : technician.days) {
            for (auto const& stop : day.stops) {
                if (stop.site == site) {
                    return &stop;
                }
            }
        }
    }
    return nullptr;
}

TEST_CASE("fish come before wastewater and the clean before the suspect on one day, though the way is longer",
          "[rounds][compose]") {
    auto fleet = small_estate();
    fleet.technicians.resize(1);
    fleet.technicians[0].hours = {fleet::HourSpan{480, 1020}};
    auto const round =
        made(fleet, asked_for("2026-W49", "2026-11-27T12:00:00Z",
                              {ticket_at("c", Urgency::this_week), ticket_at("d", Urgency::this_week),
                               ticket_at("b", Urgency::this_week), ticket_at("a", Urgency::this_week)}));
    CHECK(round.not_reached.empty());
    auto const way = way_of(round);
    REQUIRE(way.size() == 4);
    CHECK(way[2] == "d");
    CHECK(way[3] == "c");
    REQUIRE(round.bound);
    CHECK(*round.bound == Approx(round.price));
}

TEST_CASE(
    "what is urgent comes on Monday, and the hours are those of the depot's clocks, in a week that changes "
    "them",
    "[rounds][compose]") {
    auto fleet = small_estate();
    auto const winter = made(fleet, asked_for("2026-W49", "2026-11-27T12:00:00Z",
                                              {ticket_at("a", Urgency::now, "2026-11-27T06:00:00Z")}));
    auto const* stop = stop_at(winter, "a");
    REQUIRE(stop != nullptr);
    CHECK(zone::week_of(std::chrono::floor<std::chrono::days>(stop->arrive)) == winter.week);
    CHECK(stop->arrive > at("2026-11-30T08:00:00Z"));
    CHECK(stop->arrive < at("2026-11-30T09:00:00Z"));
    // On the 29th of March clocks go forward: 08:00 on that Sunday is 07:00 UTC.
    for (auto& technician : fleet.technicians) {
        technician.hours = {};
        technician.hours[6] = fleet::HourSpan{480, 1020};
    }
    auto const spring =
        made(fleet, asked_for("2026-W13", "2026-03-20T12:00:00Z", {ticket_at("a", Urgency::now)}));
    stop = stop_at(spring, "a");
    REQUIRE(stop != nullptr);
    CHECK(stop->arrive > at("2026-03-29T07:00:00Z"));
    CHECK(stop->arrive < at("2026-03-29T08:00:00Z"));
}

TEST_CASE("week 53 is planned over the turn of the year", "[rounds][compose]") {
    auto fleet = small_estate();
    for (auto& technician : fleet.technicians) {
        technician.hours = {};
        technician.hours[4] = fleet::HourSpan{480, 1020};
    }
    auto const round =
        made(fleet, asked_for("2026-W53", "2026-12-24T12:00:00Z", {ticket_at("a", Urgency::this_week)}));
    REQUIRE(way_of(round) == std::vector<std::string>{"a"});
    auto const& days =
        round.technicians[0].days.empty() ? round.technicians[1].days : round.technicians[0].days;
    CHECK(days.at(0).date == 2027y / 1 / 1);
}

TEST_CASE("a site is visited only while it lets people in, and with the notice that it needs",
          "[rounds][compose]") {
    auto fleet = small_estate();
    auto& access = fleet.sites[0].access;
    access.windows = {};
    access.windows[2] = {{780, 960}};
    auto const asked = asked_for("2026-W49", "2026-11-29T12:00:00Z", {ticket_at("a", Urgency::now)});
    auto const round = made(fleet, asked);
    auto const* stop = stop_at(round, "a");
    REQUIRE(stop != nullptr);
    CHECK(stop->arrive >= at("2026-12-02T13:00:00Z"));
    CHECK(stop->leave <= at("2026-12-02T16:00:00Z"));

    SECTION("a tide narrows the window") {
        access.only = {{at("2026-12-02T14:30:00Z"), at("2026-12-02T18:00:00Z")}};
        CHECK(stop_at(made(fleet, asked), "a")->arrive >= at("2026-12-02T14:30:00Z"));
    }
    SECTION("a closed day leaves nothing, and the reason says so") {
        access.closed = {{2026y / 12 / 2, 2026y / 12 / 2}};
        auto const none = made(fleet, asked);
        REQUIRE(none.not_reached.size() == 1);
        CHECK(none.not_reached[0].ticket == "a-7");
        CHECK(none.not_reached[0].why.find("lets nobody in") != std::string::npos);
    }
    SECTION("notice longer than until then too") {
        access.notice_hours = 96.0;
        CHECK(made(fleet, asked).not_reached.size() == 1);
    }
}

TEST_CASE("two go together where a site asks for two, each with the skills", "[rounds][compose]") {
    auto fleet = small_estate();
    fleet.sites[0].access.two_person = true;
    fleet.sites[0].access.skills = {"confined_space"};
    auto const asked = asked_for("2026-W49", "2026-11-27T12:00:00Z",
                                 {ticket_at("a", Urgency::this_week), ticket_at("b", Urgency::this_week)});
    fleet.technicians[0].skills = {"confined_space"};
    auto const one = made(fleet, asked);
    REQUIRE(one.not_reached.size() == 1);
    CHECK(one.not_reached[0].why.find("takes two persons") != std::string::npos);
    CHECK(stop_at(one, "b") != nullptr);
    fleet.technicians[1].skills = {"confined_space"};
    auto const both = made(fleet, asked);
    CHECK(both.not_reached.empty());
    bool together = false;
    for (auto const& day : both.technicians[0].days) {
        for (auto const& stop : day.stops) {
            together = together || (stop.site == "a" && day.with == std::vector<std::string>{"t2"});
        }
    }
    CHECK(together);
}

TEST_CASE("what falls due soon is done where somebody is anyway, and says what that throws away",
          "[rounds][compose]") {
    auto const fleet = small_estate();
    auto soon = ticket_at("a", Urgency::next_visit, "2026-12-17T00:00:00Z");
    soon.id = "a-8";
    soon.probe = "a-2";
    auto const now = "2026-11-27T12:00:00Z";
    auto const with = made(fleet, asked_for("2026-W49", now, {ticket_at("a", Urgency::this_week), soon}));
    auto const* stop = stop_at(with, "a");
    REQUIRE(stop != nullptr);
    REQUIRE(stop->jobs.size() == 2);
    CHECK(stop->jobs[1].pulled_forward);
    CHECK(stop->jobs[1].life_price == Approx(80.0 * 10.0 / 180.0));
    CHECK(stop->jobs[1].why_now.find("throws away some 10 days") != std::string::npos);
    CHECK(with.technicians[0].load.size() + with.technicians[1].load.size() == 3);
    // Nobody goes for it alone, and it is not missed: it was not due.
    auto const without = made(fleet, asked_for("2026-W49", now, {soon}));
    CHECK(stop_at(without, "a") == nullptr);
    CHECK(without.not_reached.empty());
    soon.due = at("2027-03-01T00:00:00Z");
    CHECK(stop_at(made(fleet, asked_for("2026-W49", now, {ticket_at("a", Urgency::this_week), soon})), "a")
              ->jobs.size() == 1);
}

TEST_CASE("a contract brings somebody where no ticket does", "[rounds][compose]") {
    auto fleet = small_estate();
    fleet.sites[1].access.check_days = 28;
    auto asked = asked_for("2026-W49", "2026-11-27T12:00:00Z", {});
    asked.last_visit["b"] = at("2026-11-04T09:00:00Z");
    auto const* stop = stop_at(made(fleet, asked), "b");
    CHECK(stop != nullptr);
    asked.last_visit["b"] = at("2026-11-20T09:00:00Z");
    CHECK(way_of(made(fleet, asked)).empty());
}

TEST_CASE("probes settle beside each other: two take less than twice as long", "[rounds][compose]") {
    Task task;
    task.job.minutes = 25.0;
    task.last_minutes = 5.0;
    task.settle_minutes = 15.0;
    CHECK(visit_minutes({task}, 0.0) == Approx(10.0 + 20.0 + 15.0 + 5.0));
    CHECK(visit_minutes({task, task}, 7.0) == Approx(7.0 + 10.0 + 40.0 + 15.0 + 5.0));
}

TEST_CASE("finished, postponed and unknown tickets are no visits", "[rounds][compose]") {
    auto const fleet = small_estate();
    auto closed = ticket_at("a", Urgency::now);
    closed.state = service::State::closed;
    auto postponed = ticket_at("b", Urgency::this_week);
    postponed.postponed_until = at("2026-12-20T00:00:00Z");
    auto gone = ticket_at("c", Urgency::this_week);
    gone.probe = "c-9";
    auto const round = made(fleet, asked_for("2026-W49", "2026-11-27T12:00:00Z", {closed, postponed, gone}));
    CHECK(way_of(round).empty());
    REQUIRE(round.not_reached.size() == 2);
    CHECK(round.not_reached[0].why == "postponed until 2026-12-20");
}

TEST_CASE("the great circle is the published one, and a written time outranks it", "[rounds][travel]") {
    CHECK(great_circle_km(36.12, -86.67, 33.94, -118.40) == Approx(2886.448430).margin(1e-5));
    CHECK(great_circle_km(10.0, 179.5, 10.0, -179.5) == Approx(109.505735).margin(1e-5));
    CHECK(great_circle_km(0.0, 0.0, 0.0, 180.0) == Approx(20015.114442).margin(1e-5));
    auto fleet = small_estate();
    fleet.rounds.travel_minutes[{"north", "a"}] = 42.5;
    auto const travel = travel_of(fleet);
    CHECK(travel[1] == 2550);
    CHECK(travel[5] == static_cast<Ticks>(std::lround(11.1195080 * 1.3 / 60.0 * 3600.0)));
    CHECK(travel[0] == 0);
}

}  // namespace
}  // namespace probekeeper::rounds

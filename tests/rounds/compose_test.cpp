#include "rounds/compose.h"

#include <spdlog/fmt/fmt.h>

#include <catch2/catch.hpp>

#include "base/date.h"
#include "rounds/estate.h"
#include "rounds/papers.h"
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

TEST_CASE("the leap day is a day of its week, in the plan and on the papers", "[rounds][compose]") {
    auto fleet = small_estate();
    auto& access = fleet.sites[0].access;
    access.windows = {};
    auto const [weekday, date] = GENERATE(table<std::size_t, std::chrono::year_month_day>(
        {{0, 2028y / 2 / 28}, {1, 2028y / 2 / 29}, {2, 2028y / 3 / 1}}));
    access.windows[weekday] = {fleet::HourSpan{600, 720}};
    auto const asked = asked_for("2028-W09", "2028-02-25T12:00:00Z", {ticket_at("a", Urgency::now)});
    auto const round = made(fleet, asked);
    auto const* stop = stop_at(round, "a");
    REQUIRE(stop != nullptr);
    CHECK(stop->arrive == std::chrono::sys_days{date} + 10h);  // UTC is London's winter
    auto const& days =
        round.technicians[0].days.empty() ? round.technicians[1].days : round.technicians[0].days;
    REQUIRE(days.size() == 1);
    CHECK(days[0].date == date);
    CHECK_THAT(to_ics(round, asked.now),
               Catch::Contains(fmt::format("DTSTART:{:04}{:02}{:02}T100000Z", int{date.year()},
                                           unsigned{date.month()}, unsigned{date.day()})));
    SECTION("and can be a day on which a site is closed") {
        access.closed = {{date, date}};
        CHECK(made(fleet, asked).not_reached.size() == 1);
    }
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

// Who comes on which day; empty: nobody does.
std::string visit_to(Round const& round, std::string const& site) {
    std::string found;
    for (auto const& technician : round.technicians) {
        for (auto const& day : technician.days) {
            for (auto const& stop : day.stops) {
                if (stop.site == site) {
                    found += technician.technician + " " + to_text(day.date) + ";";
                }
            }
        }
    }
    return found;
}

TEST_CASE("a visit that somebody promised is made on that day by that person, and takes the rest along",
          "[rounds][compose]") {
    auto const fleet = small_estate();
    auto const now = "2026-11-27T12:00:00Z";
    auto planned = ticket_at("a", Urgency::this_week);
    planned.state = service::State::planned;
    planned.planned_for = parse_date("2026-12-03");
    planned.assigned_to = "Technician t2";
    auto beside = ticket_at("a", Urgency::this_week, "2026-12-05T00:00:00Z");
    beside.id = "a-8";
    beside.probe = "a-2";
    auto const round = made(fleet, asked_for("2026-W49", now, {planned, beside}));
    CHECK(visit_to(round, "a") == "t2 2026-12-03;");
    REQUIRE(stop_at(round, "a")->jobs.size() == 2);
    CHECK(stop_at(round, "a")->jobs[0].why_now == "planned for 2026-12-03");

    SECTION("what is late by then has a visit of its own") {
        beside.due = at("2026-12-01T00:00:00Z");
        beside.urgency = Urgency::now;
        CHECK(visit_to(made(fleet, asked_for("2026-W49", now, {planned, beside})), "a").size() >
              std::string{"t2 2026-12-03;"}.size());
    }
    SECTION("a day that has passed binds nobody") {
        CHECK(visit_to(made(fleet, asked_for("2026-W49", "2026-12-04T05:00:00Z", {planned})), "a")
                  .find("2026-12-04") != std::string::npos);
    }
    SECTION("another week's is left to that week, and a stranger's is told") {
        planned.planned_for = parse_date("2026-12-09");
        auto const later = made(fleet, asked_for("2026-W49", now, {planned}));
        REQUIRE(later.not_reached.size() == 1);
        CHECK(later.not_reached[0].why == "planned for 2026-12-09");
        planned.planned_for = parse_date("2026-12-03");
        planned.assigned_to = "somebody else";
        auto const stranger = made(fleet, asked_for("2026-W49", now, {planned}));
        REQUIRE(stranger.not_reached.size() == 1);
        CHECK(stranger.not_reached[0].why.find("somebody else, who is no technician") != std::string::npos);
    }
    SECTION("a day on which the person does not work is told") {
        auto absent = fleet;
        absent.technicians[1].absences = {*fleet::parse_days("2026-12-03")};
        auto const none = made(absent, asked_for("2026-W49", now, {planned}));
        REQUIRE(none.not_reached.size() == 1);
        CHECK(none.not_reached[0].why.find("plan it again") != std::string::npos);
    }
}

TEST_CASE("nobody goes to a probe that is parked, and to one that returns not before", "[rounds][compose]") {
    auto fleet = small_estate();
    auto asked = asked_for("2026-W49", "2026-11-27T12:00:00Z", {ticket_at("a", Urgency::now)});
    service::OutOfUse parked;
    parked.site = "a";
    parked.probe = "a-1";
    parked.from = at("2026-11-01T00:00:00Z");
    asked.out_of_use = {parked};
    auto const without_end = made(fleet, asked);
    CHECK(visit_to(without_end, "a").empty());
    REQUIRE(without_end.not_reached.size() == 1);
    CHECK(without_end.not_reached[0].why == "out of use");
    asked.out_of_use[0].until = at("2026-12-02T12:00:00Z");
    auto const returns = made(fleet, asked);
    REQUIRE(stop_at(returns, "a") != nullptr);
    CHECK(stop_at(returns, "a")->arrive >= at("2026-12-02T12:00:00Z"));
    // A contract's check goes to another probe of the site, or to none where all are parked.
    fleet.sites[0].access.check_days = 28;
    asked.tickets.clear();
    asked.out_of_use[0].until.reset();
    CHECK(stop_at(made(fleet, asked), "a")->jobs[0].probe == "a-2");
    asked.out_of_use[0].probe.reset();
    CHECK(visit_to(made(fleet, asked), "a").empty());
}

TEST_CASE("a forecast without a ticket is served where somebody comes anyway, by its membrane's own life",
          "[rounds][compose]") {
    auto fleet = small_estate();
    fleet.probes[1].membrane = "cap-25um";
    auto asked = asked_for("2026-W49", "2026-11-27T12:00:00Z", {});
    diagnosis::Forecast forecast;
    forecast.due = at("2026-12-17T00:00:00Z");
    forecast.earliest = at("2026-12-12T00:00:00Z");
    forecast.latest = at("2026-12-24T00:00:00Z");
    asked.expected = {{"a-2", forecast}};
    asked.membrane_life_days["a-2"] = 100.0;
    CHECK(visit_to(made(fleet, asked), "a").empty());
    asked.tickets = {ticket_at("a", Urgency::this_week)};
    auto const with = made(fleet, asked);
    REQUIRE(stop_at(with, "a") != nullptr);
    REQUIRE(stop_at(with, "a")->jobs.size() == 2);
    auto const& job = stop_at(with, "a")->jobs[1];
    CHECK(job.probe == "a-2");
    CHECK(job.ticket.empty());
    CHECK(job.pulled_forward);
    CHECK(job.life_price == Approx(80.0 * 10.0 / 100.0));
    CHECK(job.evidence == "slow response is expected between 2026-12-12 and 2026-12-24");
    CHECK_FALSE(job.work.empty());
    // Where the probe has a ticket, that speaks.
    asked.expected[0].probe = "a-1";
    CHECK(stop_at(made(fleet, asked), "a")->jobs.size() == 1);
}

TEST_CASE("hours are those on the wall, in the week in which clocks change too", "[rounds][compose]") {
    auto fleet = small_estate();
    fleet.technicians.resize(1);
    auto& access = fleet.sites[0].access;
    access.windows = {};
    auto const [week, day, opens] = GENERATE(table<std::string, std::size_t, std::string>(
        {{"2026-W13", 4, "2026-03-27T10:00:00Z"},  // Friday before clocks go forward
         {"2026-W13", 6, "2026-03-29T09:00:00Z"},  // the Sunday on which they do
         {"2026-W14", 0, "2026-03-30T09:00:00Z"},
         {"2026-W43", 5, "2026-10-24T09:00:00Z"},
         {"2026-W43", 6, "2026-10-25T10:00:00Z"}}));  // the Sunday on which they go back
    access.windows[day] = {fleet::HourSpan{600, 720}};
    auto const round = made(fleet, asked_for(week, "2026-03-01T00:00:00Z", {ticket_at("a", Urgency::now)}));
    auto const* stop = stop_at(round, "a");
    REQUIRE(stop != nullptr);
    CHECK(stop->arrive == at(opens));
    // The technician's day ends by his own clock: 17:00, in winter and in summer.
    for (auto const& one : round.technicians[0].days) {
        CHECK(one.home <= at(opens) + 7h);
        CHECK(one.depart >= at(opens) - 2h);
    }
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

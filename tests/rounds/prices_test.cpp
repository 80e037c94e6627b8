// What everything costs decides the plan: each price is turned, all else kept, and the week comes out
// otherwise.
#include <catch2/catch.hpp>

#include <algorithm>

#include "rounds/compose.h"
#include "rounds/estate.h"

namespace probekeeper::rounds {
namespace {

using service::Urgency;

// One technician, so that hours are short; two visits of 80 minutes, 29 to 58 minutes on the road.
fleet::Fleet short_week(std::size_t days) {
    auto fleet = small_estate();
    fleet.technicians.resize(1);
    fleet.technicians[0].hours = {};
    std::fill_n(fleet.technicians[0].hours.begin(), days, fleet::HourSpan{480, 720});
    for (auto& site : fleet.sites) {
        site.access.sign_in_minutes = 38.0;
    }
    return fleet;
}

Round made(fleet::Fleet const& fleet, std::vector<service::Ticket> tickets) {
    SearchSettings settings;
    settings.iterations = 1000;
    return plan_round(fleet, asked_for("2026-W49", "2026-11-27T12:00:00Z", std::move(tickets)), settings);
}

// Sites by day: "a b|c".
std::string days_of(Round const& round) {
    std::string text;
    for (auto const& day : round.technicians.at(0).days) {
        text += text.empty() ? "" : "|";
        std::vector<std::string> sites;
        for (auto const& stop : day.stops) {
            sites.push_back(stop.site);
        }
        std::sort(sites.begin(), sites.end());
        for (auto const& site : sites) {
            text += (&site == &sites.front() ? "" : " ") + site;
        }
    }
    return text;
}

std::vector<service::Ticket> a_and_b() {
    return {ticket_at("a", Urgency::this_week), ticket_at("b", Urgency::this_week)};
}

TEST_CASE("cheap overtime saves a second day on the road, dear overtime does not pay, and none cannot be had",
          "[rounds][prices]") {
    auto fleet = short_week(2);
    fleet.rounds.overtime_hours = 1.0;
    fleet.rounds.overtime_price = 20.0;
    auto const cheap = made(fleet, a_and_b());
    CHECK(days_of(cheap) == "a b");
    auto const& day = cheap.technicians[0].days[0];
    double const overtime_minutes = day.drive_minutes + day.work_minutes - 0.8 * 240.0;
    CHECK(overtime_minutes > 20.0);
    CHECK(cheap.price ==
          Approx(day.drive_minutes + overtime_minutes / 60.0 * 20.0).epsilon(0.001));  // 60 an hour
    fleet.rounds.overtime_price = 200.0;
    CHECK(days_of(made(fleet, a_and_b())).size() == std::string{"a|b"}.size());
    fleet.rounds.overtime_price = 20.0;
    fleet.rounds.overtime_hours = 0.0;
    CHECK(days_of(made(fleet, a_and_b())).find('|') != std::string::npos);
}

TEST_CASE("overtime is worked for what would cost more to leave, and not for what costs less",
          "[rounds][prices]") {
    auto fleet = short_week(1);
    fleet.rounds.overtime_hours = 1.0;
    CHECK(made(fleet, a_and_b()).not_reached.empty());
    fleet.rounds.overtime_price = 2000.0;
    auto const dear = made(fleet, a_and_b());
    REQUIRE(dear.not_reached.size() == 1);
    CHECK(dear.not_reached[0].why.find("taken by what presses more") != std::string::npos);
}

TEST_CASE("four fifths of a day's hours are filled, unless the configuration says otherwise",
          "[rounds][prices]") {
    auto fleet = short_week(1);
    CHECK(made(fleet, a_and_b()).not_reached.size() == 1);
    fleet.rounds.fill = 1.0;
    CHECK(made(fleet, a_and_b()).not_reached.empty());

    auto const longer = [](double fill) {
        auto week = small_estate();
        week.rounds.fill = fill;
        std::vector<service::Ticket> tickets;
        for (auto const* site : {"a", "b", "c", "d"}) {
            week.sites[tickets.size()].access.sign_in_minutes = 53.0;
            tickets.push_back(ticket_at(site, Urgency::this_week));
        }
        double fullest = 0.0;
        auto const round = made(week, tickets);
        CHECK(round.not_reached.empty());
        for (auto const& technician : round.technicians) {
            for (auto const& day : technician.days) {
                fullest = std::max(fullest, day.drive_minutes + day.work_minutes);
            }
        }
        return fullest;
    };
    CHECK(longer(fleet::RoundsSettings{}.fill) <= 0.8 * 540.0 + 0.1);
    CHECK(longer(1.0) > 0.8 * 540.0);
}

TEST_CASE("where only one can be first, the dearer lateness is, whichever urgency that is",
          "[rounds][prices]") {
    auto fleet = short_week(2);
    auto const with = [](Urgency a, Urgency b) {
        return std::vector{ticket_at("a", a, "2026-11-27T06:00:00Z"),
                           ticket_at("b", b, "2026-11-27T06:00:00Z")};
    };
    CHECK(days_of(made(fleet, with(Urgency::now, Urgency::this_week))) == "a|b");
    CHECK(days_of(made(fleet, with(Urgency::this_week, Urgency::now))) == "b|a");
    CHECK(days_of(made(fleet, with(Urgency::this_week, Urgency::next_visit))) == "a|b");
    CHECK(days_of(made(fleet, with(Urgency::next_visit, Urgency::this_week))) == "b|a");
    fleet.rounds.late_price_now = 10.0;
    fleet.rounds.late_price_next_visit = 300.0;
    CHECK(days_of(made(fleet, with(Urgency::now, Urgency::this_week))) == "b|a");
    CHECK(days_of(made(fleet, with(Urgency::this_week, Urgency::next_visit))) == "b|a");
}

TEST_CASE("of two for whom there are not hours enough, the one is left whose lateness costs less",
          "[rounds][prices]") {
    auto fleet = short_week(1);
    auto const left = [&] {
        auto const round = made(fleet, {ticket_at("a", Urgency::this_week), ticket_at("b", Urgency::now)});
        REQUIRE(round.not_reached.size() == 1);
        return round.not_reached[0].probe;
    };
    CHECK(left() == "a-1");
    fleet.rounds.late_price_this_week = 1000.0;
    CHECK(left() == "b-1");
}

TEST_CASE("a membrane is changed early only while the life thrown away costs less than coming again",
          "[rounds][prices]") {
    auto fleet = small_estate();
    auto soon = ticket_at("a", Urgency::next_visit, "2026-12-17T00:00:00Z");  // ten days after the week
    soon.id = "a-8";
    soon.probe = "a-2";
    auto const jobs = [&] {
        auto const round = made(fleet, {ticket_at("a", Urgency::this_week), soon});
        CHECK(round.not_reached.empty());  // it was not due
        auto const& days =
            round.technicians[0].days.empty() ? round.technicians[1].days : round.technicians[0].days;
        return days.at(0).stops.at(0).jobs;
    };
    REQUIRE(jobs().size() == 2);
    CHECK(jobs()[1].life_price == Approx(80.0 * 10.0 / 180.0));
    fleet.rounds.membrane_price = 1060.0;  // 58.9 thrown away, where an hour is 60
    CHECK(jobs().size() == 2);
    fleet.rounds.membrane_price = 1100.0;
    CHECK(jobs().size() == 1);
    fleet.rounds.hour_price = 70.0;
    CHECK(jobs().size() == 2);
    fleet.rounds.membrane_price = 1e6;
    soon.work = {"wipe_membrane"};
    soon.parts.clear();
    CHECK(jobs().size() == 2);  // nothing is thrown away
}

}  // namespace
}  // namespace probekeeper::rounds

#include "rounds/keep.h"

#include <algorithm>
#include <catch2/catch.hpp>

#include "base/date.h"
#include "document/round.h"
#include "document/write.h"
#include "rounds/estate.h"

namespace probekeeper::rounds {
namespace {

using service::Urgency;

constexpr auto now = "2026-11-27T12:00:00Z";

Round published(fleet::Fleet const& fleet, std::vector<service::Ticket> tickets) {
    SearchSettings settings;
    settings.iterations = 1000;
    auto round = plan_round(fleet, asked_for("2026-W49", now, std::move(tickets)), settings);
    round.published_at = at(now);
    round.revision = 3;
    return round;
}

TEST_CASE("a published round that nothing changes stays, and its revision too", "[rounds][keep]") {
    auto const fleet = small_estate();
    std::vector const tickets{ticket_at("a", Urgency::this_week), ticket_at("b", Urgency::now)};
    auto const before = published(fleet, tickets);
    auto const after = keep_round(fleet, asked_for("2026-W49", "2026-11-28T12:00:00Z", tickets), before);
    CHECK(after.revision == 3);
    CHECK(after.published_at == before.published_at);
    CHECK(after.moved.empty());
    CHECK(moved_between(before, after).empty());
}

TEST_CASE("a new ticket finds its place beside what people were told", "[rounds][keep]") {
    auto const fleet = small_estate();
    std::vector tickets{ticket_at("a", Urgency::this_week), ticket_at("b", Urgency::now),
                        ticket_at("c", Urgency::this_week)};
    auto const before = published(fleet, tickets);
    tickets.push_back(ticket_at("d", Urgency::now));
    auto const after = keep_round(fleet, asked_for("2026-W49", "2026-11-28T12:00:00Z", tickets), before);
    CHECK(after.revision == 4);
    CHECK(after.moved.size() <= 2);
    CHECK(after.not_reached.empty());
    std::size_t stops = 0;
    for (auto const& technician : after.technicians) {
        for (auto const& day : technician.days) {
            stops += day.stops.size();
        }
    }
    CHECK(stops == 4);
}

TEST_CASE("work that is done leaves a gap, and nobody is told another hour for it", "[rounds][keep]") {
    auto const fleet = small_estate();
    auto const before =
        published(fleet, {ticket_at("a", Urgency::this_week), ticket_at("b", Urgency::this_week)});
    for (auto const* rest : {"a", "b"}) {
        auto const after =
            keep_round(fleet, asked_for("2026-W49", now, {ticket_at(rest, Urgency::this_week)}), before);
        CHECK(after.moved.empty());
        CHECK(after.revision == 4);
    }
}

TEST_CASE("a day that has begun stays as told, and what is done there is not asked for twice",
          "[rounds][keep]") {
    auto const fleet = small_estate();
    std::vector const tickets{ticket_at("a", Urgency::now)};
    auto const before = published(fleet, tickets);
    auto const days = [](Round const& round) {
        std::vector<std::chrono::year_month_day> found;
        for (auto const& technician : round.technicians) {
            for (auto const& day : technician.days) {
                found.push_back(day.date);
            }
        }
        std::sort(found.begin(), found.end());
        return found;
    };
    auto const monday = *parse_date("2026-11-30");
    REQUIRE(days(before) == std::vector{monday});
    // On the road, and in the evening when nothing has been written down yet.
    for (auto const* when : {"2026-11-30T10:00:00Z", "2026-11-30T20:00:00Z"}) {
        auto const after = keep_round(fleet, asked_for("2026-W49", when, tickets), before);
        CHECK(days(after) == std::vector{monday});
        CHECK_FALSE(after.differs);
    }
    // Two days later the ticket still stands: somebody goes again.
    auto const again = keep_round(fleet, asked_for("2026-W49", "2026-12-02T07:00:00Z", tickets), before);
    CHECK(days(again) == std::vector{monday, *parse_date("2026-12-02")});
    CHECK(again.differs);
}

TEST_CASE("what another week's round will do is not planned twice", "[rounds][keep]") {
    auto const fleet = small_estate();
    auto const told = published(fleet, {ticket_at("a", Urgency::now)});
    auto asked = asked_for("2026-W50", now, {ticket_at("a", Urgency::now), ticket_at("b", Urgency::now)});
    leave_told(asked, told);
    REQUIRE(asked.tickets.size() == 1);
    CHECK(asked.tickets[0].site == "b");
}

TEST_CASE("a round that was written is read again with its visits, and nothing else is one",
          "[rounds][keep]") {
    auto const fleet = small_estate();
    auto const before = published(fleet, {ticket_at("a", Urgency::this_week), ticket_at("d", Urgency::now)});
    auto const again = document::round_of(document::write(document::to_json(before)));
    REQUIRE(again);
    CHECK(again->week == before.week);
    CHECK(again->revision == 3);
    CHECK(again->published_at == before.published_at);
    CHECK(moved_between(before, *again).empty());
    CHECK(again->technicians.size() == 2);
    CHECK(document::write(document::to_json(*again)) == document::write(document::to_json(before)));
    for (auto const* wrong : {"", "{}", "[1]", "{\"week\":\"2026-W99\"}", "{\"week\":7}"}) {
        CHECK_FALSE(document::round_of(wrong));
    }
}

}  // namespace
}  // namespace probekeeper::rounds

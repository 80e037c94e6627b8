#include "rounds/keep.h"

#include <catch2/catch.hpp>

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
    for (auto const* wrong : {"", "{}", "[1]", "{\"week\":\"2026-W99\"}", "{\"week\":7}"}) {
        CHECK_FALSE(document::round_of(wrong));
    }
}

}  // namespace
}  // namespace probekeeper::rounds

// What past membranes of a site teach of the next one.
#include "pipeline/coating.h"

#include <catch2/catch.hpp>
#include <cmath>

#include "pipeline/support.h"

namespace probekeeper::pipeline::test {
namespace {

using service::Work;

constexpr Millis day{24 * hour};

// A ticket of tank-1 for slowness, raised on one day and cleared on another.
service::TicketBook book_with_slow(std::vector<std::pair<int, int>> const& raised_and_cleared) {
    service::Ticket ticket;
    ticket.id = "saltmarsh-1";
    ticket.number = 1;
    ticket.site = "saltmarsh";
    ticket.probe = "tank-1";
    ticket.state = service::State::closed;
    for (auto const& [raised, cleared] : raised_and_cleared) {
        diagnosis::Finding slow;
        slow.reason = diagnosis::Reason::slow_response;
        slow.raised_at = day_one + raised * day;
        ticket.reasons.push_back({slow, day_one + cleared * day});
    }
    return {"saltmarsh", 2, {ticket}};
}

std::vector<service::KeptRecord> changes_on(std::vector<int> const& days) {
    std::vector<service::KeptRecord> kept;
    for (auto const on : days) {
        auto const number = static_cast<std::int64_t>(kept.size()) + 1;
        kept.push_back({number, record_of(Work::membrane_change, day_one + on * day), {}, {}, {}});
    }
    return kept;
}

std::optional<diagnosis::CoatingPrior> coating(std::vector<service::KeptRecord> const& records,
                                               service::TicketBook const& tickets, int at_day) {
    service::Instruments const instruments{{}, records};
    std::map<std::string, service::Position> const positions{
        {"tank-1", {"saltmarsh", "cap", fleet::SiteKind::aquaculture}},
        {"tank-2", {"saltmarsh", "cap", fleet::SiteKind::aquaculture}},
        {"tank-3", {"saltmarsh", "other", fleet::SiteKind::aquaculture}}};
    return coating_of("tank-2", 2.0, day_one + at_day * day, records, instruments, positions, tickets);
}

struct Line {
    explicit Line(service::TicketBook book) : pipeline{fleet, saltmarsh, std::move(book), sink} {}

    void feed(std::vector<Fed> const& fed, Timestamp from, Timestamp until) {
        for (auto const& f : fed) {
            if (f.reading.time > from && f.reading.time <= until) {
                pipeline.take(f.probe, f.reading);
            }
        }
    }
    [[nodiscard]] std::string verdict() const {
        return document::write(document::to_json(pipeline.verdict(first_tank), "tank-1"));
    }

    fleet::Fleet fleet = small_fleet();
    Remember sink;
    SitePipeline pipeline;
};

}  // namespace

TEST_CASE("membranes that slowness ended say how quickly the next one will coat", "[pipeline][coating]") {
    auto const tickets = book_with_slow({{15, 20}, {36, 40}, {55, 60}});
    auto const prior = coating(changes_on({0, 20, 40, 60}), tickets, 61);
    REQUIRE(prior);
    // Lives of 20 days each, under a weak belief in lives of half a year.
    CHECK(prior->slope_per_day > std::log(2.0) / 40.0);
    CHECK(prior->slope_per_day < std::log(2.0) / 18.0);
    CHECK(prior->error > 0.2 * prior->slope_per_day);
}

TEST_CASE("a life that was not known yet, or that no slowness ended, teaches nothing",
          "[pipeline][coating]") {
    auto const records = changes_on({0, 20, 40});
    CHECK_FALSE(coating(records, book_with_slow({{36, 40}}), 39));
    CHECK(coating(records, book_with_slow({{36, 40}}), 40));
    CHECK_FALSE(coating(records, book_with_slow({}), 61));
    CHECK_FALSE(coating(records, book_with_slow({{30, 35}}), 61));  // it had gone away by itself
    auto other_kind = records;
    for (auto& kept : other_kind) {
        kept.record.probe = "tank-3";
    }
    CHECK_FALSE(coating(other_kind, book_with_slow({{36, 40}}), 61));
}

TEST_CASE("a restart between a new membrane and its first test changes no bit of what past lives taught",
          "[pipeline][coating][rewind]") {
    auto const tickets = book_with_slow({{-25, -20}});
    auto records = changes_on({-40, -20});
    auto const changed = record_of(Work::membrane_change, day_one + 2 * hour);
    records.push_back({3, changed, {}, {}, {}});
    auto const fed = readings_of(60.0, 60.0);
    auto const stopped_at = day_one + 2 * hour + Millis{60'000};
    auto const never = Timestamp::min();

    Line undisturbed{tickets};
    undisturbed.pipeline.know_records(records);
    REQUIRE(undisturbed.pipeline.record(changed));
    undisturbed.feed(fed, never, Timestamp::max());

    Line before{tickets};
    before.pipeline.know_records(records);
    REQUIRE(before.pipeline.record(changed));
    before.feed(fed, never, stopped_at);
    Line after{tickets};
    after.pipeline.know_records(records);
    REQUIRE(after.pipeline.rewind(before.pipeline.checkpoint()));
    after.feed(fed, stopped_at, Timestamp::max());
    CHECK(after.verdict() == undisturbed.verdict());

    // A record that came too late for it, of work at another probe, changes nothing of it either.
    Line told_later{tickets};
    told_later.pipeline.know_records(records);
    REQUIRE(told_later.pipeline.record(changed));
    told_later.feed(fed, never, stopped_at);
    records.push_back({4, record_of(Work::membrane_change, stopped_at + hour, "tank-2"), {}, {}, {}});
    told_later.pipeline.know_records(records);
    told_later.feed(fed, stopped_at, Timestamp::max());
    CHECK(told_later.verdict() == undisturbed.verdict());

    Line untaught{tickets};
    REQUIRE(untaught.pipeline.record(changed));
    untaught.feed(fed, never, Timestamp::max());
    CHECK(untaught.verdict() != undisturbed.verdict());
}

}  // namespace probekeeper::pipeline::test

#include "pipeline/site_pipeline.h"

#include <catch2/catch.hpp>

#include "pipeline/support.h"

namespace probekeeper::pipeline::test {
namespace {

using service::Work;

struct Line {
    fleet::Fleet fleet = small_fleet();
    Remember sink;
    SitePipeline pipeline{fleet, saltmarsh, empty_book(), sink};

    void feed(std::vector<Fed> const& fed, Timestamp from = Timestamp::min(),
              Timestamp until = Timestamp::max()) {
        for (auto const& f : fed) {
            if (f.reading.time > from && f.reading.time <= until) {
                pipeline.take(f.probe, f.reading);
            }
        }
    }
    [[nodiscard]] std::string verdicts() const {
        std::string text;
        for (auto const probe : pipeline.probes()) {
            text +=
                document::write(document::to_json(pipeline.verdict(probe), fleet.probes[probe].id)) + "\n";
        }
        return text;
    }
};

// Those of `lines` whose instant lies behind `at`; `field` names it in their JSON.
std::vector<std::string> behind(std::vector<std::string> const& lines, std::string const& field,
                                Timestamp at) {
    std::vector<std::string> kept;
    for (auto const& line : lines) {
        auto const place = line.find("\"" + field + "\":\"");
        REQUIRE(place != std::string::npos);
        if (line.substr(place + field.size() + 4, 24) > to_rfc3339(at)) {
            kept.push_back(line);
        }
    }
    return kept;
}

// Empty where both are the same; else where they part, which a person can read.
std::string first_difference(std::vector<std::string> const& a, std::vector<std::string> const& b) {
    std::size_t i = 0;
    while (i < a.size() && i < b.size() && a[i] == b[i]) {
        ++i;
    }
    if (i == a.size() && i == b.size()) {
        return "";
    }
    auto const of = [i](auto const& lines) { return i < lines.size() ? lines[i] : std::string{"the end"}; };
    return "line " + std::to_string(i) + ":\n" + of(a) + "\n" + of(b);
}

}  // namespace

TEST_CASE("a site's pipeline knows its own probes, in the order of their ids", "[pipeline]") {
    Line line;
    CHECK(line.pipeline.probes() == std::vector<fleet::ProbeIndex>{1, 2, 3});
}

TEST_CASE("a slow probe's readings go in and one ticket comes out", "[pipeline]") {
    Line line;
    line.feed(readings_of(72.0, 130.0));
    REQUIRE(line.pipeline.book().tickets().size() == 1);
    auto const& ticket = line.pipeline.book().tickets().begin()->second;
    CHECK(ticket.probe == "tank-1");
    CHECK(ticket.id == "saltmarsh-1");
    CHECK(ticket.state == service::State::open);
    REQUIRE(ticket.reasons.size() == 1);
    CHECK(ticket.reasons.front().finding.reason == diagnosis::Reason::slow_response);
    REQUIRE_FALSE(line.sink.tickets.empty());
    CHECK(line.sink.tickets.back().id == ticket.id);
    CHECK_FALSE(line.sink.tests.empty());
}

TEST_CASE("only a change of condition or reasons is called a change", "[pipeline]") {
    Line line;
    line.feed(readings_of(72.0, 130.0));
    CHECK(line.sink.says.size() > 200);  // hourly, of three probes
    CHECK(line.sink.changes.size() >= 3);
    CHECK(line.sink.changes.size() < 12);
}

TEST_CASE("a record waits for its time", "[pipeline]") {
    Line line;
    REQUIRE(line.pipeline.record(record_of(Work::membrane_change, day_one + 30 * hour)));
    auto const fed = readings_of(40.0, 40.0);
    line.feed(fed, Timestamp::min(), day_one + 29 * hour);
    REQUIRE(line.pipeline.verdict(first_tank).t90);
    CHECK(line.pipeline.verdict(first_tank).t90->tests > 3);
    line.feed(fed, day_one + 29 * hour, day_one + 31 * hour);
    CHECK_FALSE(line.pipeline.verdict(first_tank).t90);  // another membrane
    CHECK(line.pipeline.verdict(first_tank + 1).t90);    // not of this one
}

TEST_CASE("a record takes effect when time passes, readings or not, and answers the ticket", "[pipeline]") {
    Line line;
    line.feed(readings_of(72.0, 130.0));
    REQUIRE(line.pipeline.book().unfinished("tank-1") != nullptr);
    auto const at = day_one + 73 * hour;
    REQUIRE(line.pipeline.record(record_of(Work::membrane_change, at)));
    CHECK(line.pipeline.book().unfinished("tank-1")->state == service::State::open);
    line.pipeline.advance(at);
    CHECK(line.pipeline.book().unfinished("tank-1")->state == service::State::serviced);
    CHECK(line.sink.tickets.back().state == service::State::serviced);
}

TEST_CASE("a record from behind is not taken, and nothing is done", "[pipeline]") {
    Line line;
    line.feed(readings_of(24.0, 40.0));
    auto const tests = line.pipeline.verdict(first_tank).t90->tests;
    CHECK_FALSE(line.pipeline.record(record_of(Work::membrane_change, day_one + 12 * hour)));
    // At the very instant of the newest reading, too, it is behind: that reading was taken without it.
    CHECK_FALSE(line.pipeline.record(record_of(Work::membrane_change, line.pipeline.now())));
    line.pipeline.advance(line.pipeline.now() + Millis{1});
    REQUIRE(line.pipeline.verdict(first_tank).t90);  // the same membrane still
    CHECK(line.pipeline.verdict(first_tank).t90->tests == tests);
}

TEST_CASE("a late record leads to what it would have led to had it been known from the start",
          "[pipeline][rewind]") {
    auto const fed = readings_of(96.0, 130.0);
    auto const checkpoint_at = day_one + 6 * hour + Millis{30'000};
    auto const changed =
        record_of(Work::membrane_change,
                  GENERATE(day_one + 7 * hour, day_one + 40 * hour + Millis{1}, day_one + 80 * hour));
    CAPTURE(to_rfc3339(changed.time));

    Line known;
    REQUIRE(known.pipeline.record(changed));
    known.feed(fed);

    Line late;
    late.feed(fed, Timestamp::min(), checkpoint_at);
    auto const checkpoint = late.pipeline.checkpoint();
    late.feed(fed, checkpoint_at);
    REQUIRE_FALSE(late.pipeline.record(changed));
    CHECK(late.verdicts() != known.verdicts());

    late.sink = {};
    late.pipeline.hold_tickets(true);
    REQUIRE(late.pipeline.rewind(checkpoint));
    REQUIRE(late.pipeline.record(changed));
    late.feed(fed, checkpoint_at);
    CHECK(late.sink.tickets.empty());  // held
    late.pipeline.settle_tickets();

    CHECK(late.verdicts() == known.verdicts());
    CHECK(first_difference(late.sink.tests, behind(known.sink.tests, "time", checkpoint_at)) == "");
    CHECK(first_difference(late.sink.says, behind(known.sink.says, "at", checkpoint_at)) == "");
    CHECK(first_difference(late.sink.changes, behind(known.sink.changes, "at", checkpoint_at)) == "");
}

TEST_CASE("a rewind to the very beginning needs no checkpoint", "[pipeline][rewind]") {
    auto const fed = readings_of(48.0, 40.0);
    Line line;
    line.feed(fed);
    auto const verdicts = line.verdicts();
    auto const tests = line.sink.tests;
    line.sink = {};
    REQUIRE(line.pipeline.rewind({}));
    CHECK(line.verdicts() != verdicts);
    line.feed(fed);
    CHECK(line.verdicts() == verdicts);
    CHECK(line.sink.tests == tests);
}

TEST_CASE("bytes that are no checkpoint of this version leave the pipeline as it was", "[pipeline][rewind]") {
    Line line;
    line.feed(readings_of(24.0, 40.0));
    auto const verdicts = line.verdicts();
    CHECK_FALSE(line.pipeline.rewind("something else"));
    CHECK_FALSE(line.pipeline.rewind(line.pipeline.checkpoint().substr(0, 1000)));
    CHECK(line.verdicts() == verdicts);
}

TEST_CASE("a ticket that a late record leaves without a reason is withdrawn, not deleted",
          "[pipeline][rewind]") {
    auto const fed = readings_of(96.0, 130.0);
    Line line;
    line.feed(fed);
    REQUIRE(line.pipeline.book().unfinished("tank-1") != nullptr);
    // The membrane was changed on the first evening, to one that is as slow when new: it is as it should be.
    line.pipeline.hold_tickets(true);
    REQUIRE(line.pipeline.rewind({}));
    REQUIRE(line.pipeline.record(record_of(Work::membrane_change, day_one + 4 * hour)));
    line.feed(fed);
    CHECK(line.pipeline.book().unfinished("tank-1") != nullptr);
    line.pipeline.settle_tickets();
    CHECK(line.pipeline.book().unfinished("tank-1") == nullptr);
    REQUIRE(line.pipeline.book().tickets().size() == 1);
    CHECK(line.pipeline.book().tickets().begin()->second.state == service::State::withdrawn);
    CHECK(line.sink.tickets.back().state == service::State::withdrawn);
}

TEST_CASE("feeding the same readings again opens no ticket twice", "[pipeline][rewind]") {
    auto const fed = readings_of(96.0, 130.0);
    bool const held = GENERATE(true, false);
    CAPTURE(held);
    Line line;
    line.feed(fed);
    auto const tickets = text_of(line.pipeline.book());
    REQUIRE_FALSE(tickets.empty());
    line.pipeline.hold_tickets(held);
    REQUIRE(line.pipeline.rewind({}));
    line.feed(fed);
    line.pipeline.settle_tickets();
    CHECK(line.pipeline.book().tickets().size() == 1);
    CHECK(text_of(line.pipeline.book()) == tickets);
}

TEST_CASE(
    "a new process that continues from a checkpoint says nothing else than the one before it would have",
    "[pipeline][rewind]") {
    auto const fed = readings_of(96.0, 130.0);
    auto const stop = day_one + 50 * hour + Millis{30'000};
    Line whole;
    whole.feed(fed);

    Line before;
    before.feed(fed, Timestamp::min(), stop);
    std::vector<service::Ticket> kept;
    for (auto const& [number, ticket] : before.pipeline.book().tickets()) {
        kept.push_back(ticket);
    }
    Remember sink;
    SitePipeline after{before.fleet, saltmarsh, service::TicketBook{"saltmarsh", 1, kept}, sink};
    REQUIRE(after.rewind(before.pipeline.checkpoint()));
    for (auto const& f : fed) {
        if (f.reading.time > stop) {
            after.take(f.probe, f.reading);
        }
    }
    CHECK(text_of(after.book()) == text_of(whole.pipeline.book()));
    CHECK(first_difference(sink.says, behind(whole.sink.says, "at", stop)) == "");
    CHECK(first_difference(sink.changes, behind(whole.sink.changes, "at", stop)) == "");
}

TEST_CASE("what is told of an absence afterwards leads to what it would have led to from the start",
          "[pipeline][out_of_use]") {
    auto const fed = readings_of(60.0, 40.0);
    std::vector<service::OutOfUse> told(1);
    told[0].site = "saltmarsh";
    told[0].probe = "tank-1";
    told[0].from = day_one + 24 * hour;
    told[0].until = day_one + 48 * hour;

    Line in_time;
    CHECK(in_time.pipeline.out_of_use(told) == told[0].from);
    CHECK_FALSE(in_time.pipeline.out_of_use(told));  // nothing new
    in_time.feed(fed);

    Line late;
    late.feed(fed, Timestamp::min(), day_one + 12 * hour);
    auto const checkpoint = late.pipeline.checkpoint();
    late.feed(fed, day_one + 12 * hour);
    auto const from = late.pipeline.out_of_use(told);
    REQUIRE(from);
    REQUIRE(*from <= late.pipeline.now());
    REQUIRE(late.pipeline.rewind(checkpoint));
    late.feed(fed, day_one + 12 * hour);
    CHECK(late.verdicts() == in_time.verdicts());
    CHECK(late.pipeline.checkpoint() == in_time.pipeline.checkpoint());
}

TEST_CASE("a site that is fallow and silent opens no ticket, and a later end of it changes the future only",
          "[pipeline][out_of_use]") {
    Line line;
    std::vector<service::OutOfUse> told(1);
    told[0].site = "saltmarsh";
    told[0].from = day_one + 24 * hour;
    told[0].until = day_one + 72 * hour;
    static_cast<void>(line.pipeline.out_of_use(told));
    line.feed(readings_of(24.0, 40.0));
    line.pipeline.advance(day_one + 71 * hour);
    CHECK(line.pipeline.book().tickets().empty());
    told[0].until = day_one + 72 * hour + Millis{1};
    CHECK(line.pipeline.out_of_use(told) == day_one + 72 * hour);
}

}  // namespace probekeeper::pipeline::test

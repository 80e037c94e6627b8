// The customer's page: what it says, that it says it in the site's own days, and that no text of a user's
// breaks it.
#include "paper/month.h"

#include <catch2/catch.hpp>

#include <algorithm>

#include "paper/strips.h"

using namespace probekeeper;
using namespace probekeeper::paper;
using Catch::Contains;
using diagnosis::Condition;

namespace {

Timestamp at(std::string const& text) {
    return *parse_rfc3339(text);
}

// October at a place that puts its clocks back on the 25th.
struct October {
    service::MonthReport report;
    MonthFacts facts;

    October() {
        facts.site_name = "Saltmarsh <hatchery>";
        facts.address = "Tide Lane 1 & 2";
        facts.time_zone = "Europe/London";
        facts.zone = zone::Zone::find("Europe/London").value();
        report.site = "saltmarsh";
        report.from = at("2026-09-30T23:00:00Z");
        report.until = facts.until = at("2026-11-01T00:00:00Z");
        facts.made_at = at("2026-11-02T09:00:00Z");
        service::ProbeMonth probe;
        probe.id = "tank-1";
        probe.location = "inlet \"left\"";
        probe.spans = {
            {report.from, at("2026-10-20T00:00:00Z"), Condition::good, false},
            {at("2026-10-20T00:00:00Z"), at("2026-10-22T00:00:00Z"), Condition::maintenance_required, false},
            {at("2026-10-22T00:00:00Z"), report.until, Condition::unknown, false}};
        probe.time.good = 0.6;
        probe.time.maintenance_required = 0.06;
        probe.time.unknown = 0.34;
        probe.tests = {{at("2026-10-02T00:00:00Z"), 60.0, true}, {at("2026-10-19T00:00:00Z"), 44.0, true}};
        probe.response_tests = probe.response_tests_used = 2;
        probe.first_t90_s = 60.0;
        probe.last_t90_s = 44.0;
        report.probes = {probe};
        service::TicketMonth ticket;
        ticket.id = "saltmarsh-17";
        ticket.probe = "tank-1";
        ticket.state = service::State::verified;
        ticket.opened_at = at("2026-10-20T00:00:00Z");
        ticket.ended_at = at("2026-10-26T12:00:00Z");
        ticket.reasons = {"T90 is 92 s"};
        ticket.how = "response restored: T90 92 s before, 41 s after";
        report.tickets = {ticket};
        report.work = {{at("2026-10-24T12:30:00Z"), "tank-1", "<script>alert(1)</script>", "it's done",
                        service::Work::membrane_change}};
        report.membranes = {{"cap-25um", 1}};
    }
    [[nodiscard]] std::string page() const { return to_html(report, facts); }
};

std::size_t count(std::string const& text, std::string const& part) {
    std::size_t n = 0;
    for (auto i = text.find(part); i != std::string::npos; i = text.find(part, i + 1)) {
        ++n;
    }
    return n;
}

}  // namespace

TEST_CASE("the page says what was owed, in the site's own days and hours", "[paper][month]") {
    October october;
    auto const page = october.page();
    CHECK_THAT(page, Contains("October 2026"));
    CHECK_THAT(page, Contains("2026-10-24 13:30"));  // summer
    CHECK_THAT(page, Contains("2026-10-26 12:00"));  // winter
    CHECK_THAT(
        page,
        Contains(
            "Could be judged for <b>66.0 %</b> of the time, and was good for <b>60.0 %</b>. Unknown 34.0 %"));
    CHECK_THAT(page, Contains("2 response tests, 2 used; T90 60 s at first, 44 s at last"));
    CHECK_THAT(page, Contains("response restored: T90 92 s before, 41 s after"));
    CHECK_THAT(page, Contains("membrane change"));
    CHECK_THAT(page, !Contains("This month is not over"));
    CHECK(count(page, "<svg class=\"strip\"") == 5);  // conditions, tests, tickets, work, membranes
}

TEST_CASE("no text of a user's is markup, and the page neither runs nor loads anything", "[paper][month]") {
    auto const page = October{}.page();
    CHECK_THAT(page, Contains("Saltmarsh &lt;hatchery&gt;") && Contains("Tide Lane 1 &amp; 2") &&
                         Contains("inlet &quot;left&quot;") && Contains("it&#39;s done"));
    for (auto const* forbidden :
         {"<script", "<hatchery", "http://", "https://", "<img", "<link", " src=", " href="}) {
        CAPTURE(forbidden);
        CHECK_THAT(page, !Contains(forbidden));
    }
}

TEST_CASE("what is not known is said, and nothing is rounded up to all or down to none", "[paper][month]") {
    October october;
    auto& probe = october.report.probes[0];
    probe.time = {};
    probe.time.good = 0.99996;
    probe.time.unknown = 0.00004;
    probe.tests.clear();
    probe.response_tests = 0;
    probe.last_t90_s.reset();
    october.report.tickets.clear();
    october.report.work.clear();
    october.report.membranes.clear();
    auto const page = october.page();
    CHECK_THAT(page, Contains("was good for <b>99.9 %</b>. Unknown 0.1 %"));
    CHECK_THAT(page, Contains("no response test: nothing says how quick it was"));
    CHECK_THAT(page, Contains("No work is recorded."));
    CHECK(count(page, "<p>None.</p>") == 2);
}

TEST_CASE("a month that goes on says so, and draws nothing that has not been", "[paper][month]") {
    October october;
    october.report.complete = false;
    october.report.until = at("2026-10-11T09:00:00Z");
    CHECK_THAT(october.page(), Contains("This month is not over.</b> It is told up to 2026-10-11 10:00"));
}

TEST_CASE("the days below a strip are the place's own, also those of 25 hours", "[paper][strips]") {
    October october;
    Days const days{october.report.from, october.facts.until, october.report.until, october.facts.zone};
    auto const strip = condition_strip(october.report.probes[0].spans, days);
    CHECK(count(strip, "<line") == 31);
    CHECK(count(strip, "<text") == 7);  // 1, 5, 10 ... 30
    CHECK(count(strip, "<title>good</title>") == 1);
}

TEST_CASE("long names lose what they all begin with, and keep what tells them apart", "[paper][strips]") {
    October october;
    Days const days{october.report.from, october.facts.until, october.report.until, october.facts.zone};
    auto const drawn = stretches({{"quernbeck-lane-1-inlet", days.from, std::nullopt},
                                  {"quernbeck-lane-12-outlet", days.from, std::nullopt}},
                                 days);
    CHECK(count(drawn, ">1-inlet<title>quernbeck-lane-1-inlet</title>") == 1);
    CHECK(count(drawn, ">12-outlet<title>quernbeck-lane-12-outlet</title>") == 1);
}

TEST_CASE("marks of one name share a row, and an end is another sign than going on", "[paper][strips]") {
    October october;
    Days const days{october.report.from, october.facts.until, october.report.until, october.facts.zone};
    auto const drawn = stretches({{"a", days.from, std::nullopt},
                                  {"b", days.from, at("2026-10-03T00:00:00Z")},
                                  {"a", at("2026-10-05T00:00:00Z"), at("2026-10-05T00:00:00Z")}},
                                 days);
    CHECK(count(drawn, "<title>") == 2);
    CHECK(count(drawn, "<circle") == 1);
    CHECK(count(drawn, "<path") == 2);
}

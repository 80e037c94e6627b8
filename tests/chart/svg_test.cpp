#include <catch2/catch.hpp>
#include <limits>

#include "chart/axis.h"
#include "chart/chart.h"

using namespace probekeeper;
using namespace probekeeper::chart;

namespace {

Timestamp const day_one = parse_rfc3339("2026-02-27T00:00:00Z").value();

Chart three_days() {
    Chart c;
    c.title = "tank-1: response time";
    c.unit = "s";
    c.from = day_one;
    c.to = day_one + days(3);
    c.line = {{day_one, 40.0}, {day_one + days(1), 50.0}, {day_one + days(2), 60.0}};
    return c;
}

bool has(std::string const& svg, std::string const& part) {
    return svg.find(part) != std::string::npos;
}

}  // namespace

TEST_CASE("an axis has round numbers that hold all values", "[chart]") {
    auto const axis = axis_over(0.0, 92.0, 4);
    CHECK(axis.step == 50.0);
    CHECK(axis.low == 0.0);
    CHECK(axis.high == 100.0);
    CHECK(label(50.0, axis.step) == "50");
    auto const fine = axis_over(-0.031, 0.052, 4);
    CHECK(fine.low <= -0.031);
    CHECK(fine.high >= 0.052);
    CHECK(label(fine.step, fine.step) == "0.05");
    CHECK(label(-1e-12, 0.05) == "0.00");
    auto const flat = axis_over(7.0, 7.0, 4);
    CHECK(flat.low < flat.high);
}

TEST_CASE("days are marked over a month's end, hours where the span is short", "[chart]") {
    auto const month = time_ticks(day_one, day_one + days(3), 9);
    REQUIRE(month.size() >= 3);
    CHECK(month.front().label == "27 Feb");
    CHECK(time_ticks(day_one, day_one + days(3), 4)[2].label == "1 Mar");
    auto const morning = time_ticks(day_one + seconds(6.5 * 3600), day_one + seconds(12 * 3600), 9);
    CHECK(morning.front().label == "07:00");
    CHECK(time_ticks(day_one, day_one + days(400), 9).size() <= 10);
}

TEST_CASE("a line, its levels and its events are drawn and named", "[chart]") {
    auto c = three_days();
    c.levels = {{41.0, "fresh", false}, {82.0, "limit", true}};
    c.events = {{day_one + days(1), "membrane change"}};
    c.good_dots = {{day_one, 42.0}};
    c.poor_dots = {{day_one, 70.0}, {day_one - days(1), 70.0}};
    auto const svg = to_svg(c);
    CHECK(has(svg, ">limit</text>"));
    CHECK(has(svg, "<title>membrane change</title>"));
    CHECK(has(svg, ">27 Feb</text>"));
    CHECK(has(svg, "r=\"2.2\" fill=\"#14466b\""));
    // One of the two hollow ones lies outside.
    auto const hollow = svg.find("r=\"2.2\" fill=\"none\"");
    REQUIRE(hollow != std::string::npos);
    CHECK(svg.find("r=\"2.2\" fill=\"none\"", hollow + 1) == std::string::npos);
}

TEST_CASE("what is not known breaks the line instead of being bridged", "[chart]") {
    auto c = three_days();
    auto const whole = to_svg(c);
    c.line[1].value = std::numeric_limits<double>::quiet_NaN();
    auto const broken = to_svg(c);
    CHECK(has(whole, "L"));
    CHECK_FALSE(has(broken, "nan"));
    auto const path = broken.substr(broken.find("stroke-linecap") - 200, 200);
    CHECK(path.find('L') == std::string::npos);
}

TEST_CASE("texts cannot break out of the document", "[chart]") {
    auto c = three_days();
    c.title = "</title><script>alert(1)</script>&\x01\"";
    c.events = {{day_one, "<b>"}};
    auto const svg = to_svg(c);
    CHECK_FALSE(has(svg, "<script"));
    CHECK_FALSE(has(svg, "<b>"));
    CHECK_FALSE(has(svg, "\x01"));
    CHECK(has(svg, "&lt;script&gt;alert(1)&lt;/script&gt;&amp;&quot;"));
}

TEST_CASE("an empty chart says why", "[chart]") {
    Chart c;
    c.title = "tank-1";
    c.from = day_one;
    c.to = day_one + days(1);
    c.empty = "T90 is not known yet";
    auto const svg = to_svg(c);
    CHECK(has(svg, "T90 is not known yet"));
    CHECK_FALSE(has(svg, "<path"));
}

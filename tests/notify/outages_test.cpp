#include "notify/outages.h"

#include <catch2/catch.hpp>

namespace probekeeper::notify {
namespace {

auto const start = parse_rfc3339("2026-03-01T06:00:00Z").value();
constexpr Millis limit = std::chrono::minutes{15};

// Site 0 has lines 0 and 1, site 1 has line 2.
std::vector<LineSilence> lines() {
    std::vector<LineSilence> out;
    for (fleet::SiteIndex const site : {0U, 0U, 1U}) {
        out.push_back({site, 4, true, start, start, limit});
    }
    return out;
}

TEST_CASE("a site that falls silent is one outage, and none of each line", "[notify][outages]") {
    Outages outages;
    auto now = lines();
    now[2].newest = start + limit;
    CHECK(outages.look(now, 2, start + limit - Millis{1}).empty());
    auto const told = outages.look(now, 2, start + limit);
    CHECK(told == std::vector<Outage>{{0, std::nullopt, start, false}});
    CHECK(outages.look(now, 2, start + limit + std::chrono::minutes{5}).empty());
    now[0].newest = now[1].newest = now[2].newest = start + limit + std::chrono::minutes{6};
    CHECK(outages.look(now, 2, now[0].newest) == std::vector<Outage>{{0, std::nullopt, start, true}});
}

TEST_CASE("a line alone is told when its site could have followed", "[notify][outages]") {
    Outages outages;
    auto now = lines();
    auto const later = start + limit + std::chrono::minutes{1};
    now[1].newest = now[2].newest = later;
    CHECK(outages.look(now, 2, later - Millis{1}).empty());
    CHECK(outages.look(now, 2, later) == std::vector<Outage>{{0, fleet::LineIndex{0}, start, false}});
    // The other line follows: the line is not told to be back.
    auto const all = later + limit;
    now[2].newest = all;
    CHECK(outages.look(now, 2, all) == std::vector<Outage>{{0, std::nullopt, later, false}});
}

TEST_CASE("one silent probe on a line of its own is its probe's matter while the line opens",
          "[notify][outages]") {
    Outages outages;
    auto now = lines();
    now[2].probes = 1;
    now[0].newest = now[1].newest = start + std::chrono::hours{1};
    CHECK(outages.look(now, 2, start + std::chrono::hours{1}).empty());
    now[2].up = false;
    CHECK(outages.look(now, 2, start + std::chrono::hours{1}).size() == 1);
}

TEST_CASE("the daemon's own downtime is no silence", "[notify][outages]") {
    Outages outages;
    auto now = lines();
    for (auto& line : now) {
        line.newest = start - std::chrono::days{2};
    }
    CHECK(outages.look(now, 2, start + Millis{1000}).empty());
    CHECK(outages.look(now, 2, start + limit).size() == 2);
}

}  // namespace
}  // namespace probekeeper::notify

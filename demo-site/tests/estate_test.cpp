#include "estate/estate.h"

#include <algorithm>
#include <catch2/catch.hpp>
#include <set>
#include <string>

#include "estate/history.h"

using namespace probekeeper;
using estate::Estate;

namespace {

Timestamp at(std::string const& text) {
    return parse_rfc3339(text).value();
}

std::size_t place_of(Estate const& estate, std::string_view id) {
    auto const& probes = estate.probes();
    auto const found =
        std::find_if(probes.begin(), probes.end(), [id](auto const& probe) { return probe.id == id; });
    REQUIRE(found != probes.end());
    return static_cast<std::size_t>(found - probes.begin());
}

}  // namespace

TEST_CASE("an estate lived twice shows the same to the last bit", "[estate]") {
    auto const start = at("2026-05-01T10:00:00Z");
    Estate once{start}, again{start};
    once.live_through(start + std::chrono::hours{30});
    again.live_through(start + std::chrono::hours{11});
    again.live_through(start + std::chrono::hours{30});
    REQUIRE(once.now() == again.now());
    for (std::size_t i = 0; i < once.probes().size(); ++i) {
        CAPTURE(once.probes()[i].id);
        CHECK(once.shown(i).do_mg_l == again.shown(i).do_mg_l);
        CHECK(once.shown(i).temperature_c == again.shown(i).temperature_c);
    }
}

TEST_CASE("every probe is told from its neighbours on the line by its unit", "[estate]") {
    Estate const estate{at("2026-05-01T10:00:00Z")};
    std::set<std::pair<estate::Line, int>> taken;
    for (auto const& probe : estate.probes()) {
        CHECK(taken.emplace(probe.line, probe.unit).second);
    }
    CHECK(taken.size() >= 12);
}

TEST_CASE("a technician renews every membrane, with the probe in hand and a calibration at the end",
          "[estate]") {
    auto const start = at("2026-05-01T10:00:00Z");
    Estate estate{start};
    auto const probe = place_of(estate, "quernbeck-lane-1-inlet");
    // Plan: a day after the midnight before the start, at eight.
    auto const arrival = at("2026-05-02T08:00:00Z");

    estate.live_through(arrival - std::chrono::minutes{1});
    CHECK_FALSE(estate.shown(probe).hold);
    estate.live_through(arrival + std::chrono::minutes{12});
    CHECK(estate.shown(probe).hold);
    CHECK(estate.shown(probe).do_percent > 150.0);  // a new membrane overshoots in air
    estate.live_through(arrival + std::chrono::minutes{43});
    CHECK_FALSE(estate.shown(probe).hold);

    estate.live_through(arrival + std::chrono::hours{48});
    auto const jobs = estate.take_jobs();
    CHECK(jobs.size() == 2 * estate.probes().size());
    CHECK(std::is_sorted(jobs.begin(), jobs.end(),
                         [](auto const& a, auto const& b) { return a.time < b.time; }));
    for (auto const& job : jobs) {
        CAPTURE(job.kind);
        if (job.kind == "air_calibration") {
            CHECK(job.air_percent.value() == Approx(103.0).margin(1.0));
            CHECK(job.dry_zero_mg_l.value() == Approx(0.0).margin(0.05));
        } else {
            CHECK(job.kind == "membrane_change");
        }
    }
    CHECK(estate.take_jobs().empty());
}

TEST_CASE("residue shows as a floor where the water has no oxygen, and a healthy neighbour goes to zero",
          "[estate]") {
    auto const start = at("2026-05-01T10:00:00Z");
    Estate estate{start};
    auto const healthy = place_of(estate, "quernbeck-lane-1-inlet");
    auto const residue = place_of(estate, "quernbeck-lane-1-outlet");
    estate.live_through(start + std::chrono::days{20});
    double lowest_healthy = 10.0, lowest_residue = 10.0;
    auto const until = estate.now() + std::chrono::hours{12};
    while (estate.now() < until) {
        estate.step(Estate::history_step);
        lowest_healthy = std::min(lowest_healthy, estate.shown(healthy).do_mg_l);
        lowest_residue = std::min(lowest_residue, estate.shown(residue).do_mg_l);
    }
    CHECK(lowest_healthy < 0.03);
    CHECK(lowest_residue > 0.08);  // of 0.13 by then
}

TEST_CASE("a history span is refused with what would be right", "[estate]") {
    CHECK(estate::history_span("2026-03-01T06:00:00Z", 2.0).from == at("2026-02-27T06:00:00Z"));
    CHECK_THROWS_WITH(estate::history_span("yesterday", 2.0), Catch::Contains("2026-03-01T06:00:00Z"));
    CHECK_THROWS_WITH(estate::history_span("2026-03-01T06:00:00Z", 0.0), Catch::Contains("0.01 to 400"));
}

// The examples that people copy: each has all that a week's round needs, and gets one.
#include <catch2/catch.hpp>

#include <filesystem>

#include "fleet/load.h"
#include "rounds/compose.h"
#include "rounds/estate.h"

namespace probekeeper::rounds {
namespace {

TEST_CASE("in each example somebody comes to every probe that asks, while the site lets people in",
          "[rounds][examples]") {
    std::size_t examples = 0;
    for (auto const& file : std::filesystem::directory_iterator{PROBEKEEPER_SOURCE_DIR "/config"}) {
        CAPTURE(file.path().string());
        auto const loaded = fleet::load(file.path());
        REQUIRE(loaded.fleet);
        CHECK(loaded.problems.empty());
        auto const& fleet = *loaded.fleet;
        CHECK_FALSE(fleet.depots.empty());
        std::vector<service::Ticket> tickets;
        for (auto const& probe : fleet.probes) {
            auto ticket =
                ticket_at(fleet.sites[probe.site].id, service::Urgency::this_week, "2027-02-05T00:00:00Z");
            ticket.id = probe.id;
            ticket.probe = probe.id;
            tickets.push_back(std::move(ticket));
        }
        SearchSettings settings;
        settings.iterations = 1000;
        auto const round =
            plan_round(fleet, asked_for("2027-W05", "2027-01-29T12:00:00Z", std::move(tickets)), settings);
        CHECK(round.not_reached.empty());
        std::size_t jobs = 0;
        for (auto const& technician : round.technicians) {
            for (auto const& day : technician.days) {
                for (auto const& stop : day.stops) {
                    jobs += stop.jobs.size();
                    auto const& access = fleet.sites[*fleet.find_site(stop.site)].access;
                    CHECK(day.with.size() == (access.two_person ? 1 : 0));
                    auto const weekday =
                        std::chrono::weekday{std::chrono::sys_days{day.date}}.iso_encoding() - 1;
                    CHECK_FALSE(access.windows[weekday].empty());
                }
            }
        }
        CHECK(jobs == fleet.probes.size());
        ++examples;
    }
    CHECK(examples == 4);
}

}  // namespace
}  // namespace probekeeper::rounds

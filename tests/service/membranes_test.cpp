#include "service/membranes.h"

#include <catch2/catch.hpp>

#include "service/support.h"

using namespace probekeeper;
using namespace probekeeper::service;
using namespace probekeeper::service::testing;

namespace {

std::map<std::string, Position> const positions{
    {"tank-1", {"saltmarsh", "cap-25um", fleet::SiteKind::aquaculture}},
    {"basin-1", {"works", "cap-50um", fleet::SiteKind::wastewater}}};

std::vector<KeptRecord> kept(std::vector<Record> records) {
    std::vector<KeptRecord> all;
    for (auto& record : records) {
        KeptRecord k;
        k.number = static_cast<std::int64_t>(all.size()) + 1;
        k.record = std::move(record);
        all.push_back(std::move(k));
    }
    return all;
}

std::vector<MembraneLife> lives_of(std::vector<KeptRecord> const& records, double now,
                                   std::vector<Ticket> const& tickets = {},
                                   std::map<std::string, std::string> const& serials = {}) {
    Instruments const instruments{serials, records};
    return membrane_lives(records, instruments, positions, tickets, at_day(now));
}

Record swap(double day, std::string probe, std::string serial) {
    auto record = work(day, Work::probe_swap, std::move(probe));
    record.serial = std::move(serial);
    return record;
}

}  // namespace

TEST_CASE("a membrane lives from one change to the next, and the newest is in use", "[service][membranes]") {
    auto const lives = lives_of(kept({work(10.0), work(100.0), work(50.0, Work::membrane_wipe)}), 130.0);
    REQUIRE(lives.size() == 2);
    CHECK(lives[0].installed == at_day(10.0));
    CHECK(lives[0].ended == at_day(100.0));
    CHECK(lives[0].days == Approx(90.0));
    CHECK(lives[0].wipes == 1);
    CHECK_FALSE(lives[0].ended_by);
    CHECK(lives[0].kind == "cap-25um");
    CHECK(lives[0].site == "saltmarsh");
    CHECK_FALSE(lives[1].ended);
    CHECK(lives[1].days == Approx(30.0));
}

TEST_CASE("a change that answered a ticket ended the life by its reason", "[service][membranes]") {
    auto tickets = book();
    tickets.consider(probe(), diagnosed(90.0, {slow(90.0)}));
    tickets.record(work(100.0));
    auto const lives = lives_of(kept({work(10.0), work(100.0)}), 130.0, {*tickets.find("saltmarsh-17")});
    REQUIRE(lives.size() == 2);
    CHECK(lives[0].ended_by == Reason::slow_response);
    CHECK_FALSE(lives[1].worn());
}

TEST_CASE("a voided change ended nothing, and one written down twice is one", "[service][membranes]") {
    auto records = kept({work(10.0), work(60.0), work(100.0), work(100.05)});
    records[1].voided_at = at_day(61.0);
    auto const lives = lives_of(records, 130.0);
    REQUIRE(lives.size() == 2);
    CHECK(lives[0].days == Approx(90.0));
}

TEST_CASE("a membrane goes where its instrument goes, and does not age in the workshop",
          "[service][membranes]") {
    auto const records = kept({work(10.0), swap(40.0, "tank-1", "B"), swap(70.0, "basin-1", "A"),
                               work(90.0, Work::membrane_change, "basin-1")});
    auto const lives = lives_of(records, 100.0, {}, {{"tank-1", "A"}, {"basin-1", "C"}});
    REQUIRE(lives.size() == 2);
    CHECK(lives[0].serial == "A");
    CHECK(lives[0].probe == "tank-1");
    CHECK(lives[0].ended == at_day(90.0));
    CHECK(lives[0].days == Approx(30.0 + 20.0));
    CHECK(lives[1].serial == "A");
    CHECK(lives[1].site == "works");
}

TEST_CASE("an instrument that nobody named takes its membrane along when another is put in its place",
          "[service][membranes]") {
    auto const came = GENERATE(std::string{"B"}, std::string{});
    auto const lives = lives_of(kept({work(10.0), swap(40.0, "tank-1", came), work(60.0)}), 100.0);
    REQUIRE(lives.size() == 2);
    CHECK(lives[0].serial.empty());
    CHECK(lives[0].ended == at_day(40.0));
    CHECK_FALSE(lives[0].ended_by);
    CHECK(lives[1].serial == came);
    CHECK(lives[1].installed == at_day(60.0));
    CHECK_FALSE(lives[1].ended);
}

TEST_CASE("statistics count what is worn, what was changed by plan and what is in use",
          "[service][membranes]") {
    std::vector<MembraneLife> lives;
    for (int i = 0; i < 30; ++i) {
        MembraneLife life;
        life.site = i % 2 == 0 ? "saltmarsh" : "works";
        life.water = i % 2 == 0 ? fleet::SiteKind::aquaculture : fleet::SiteKind::wastewater;
        life.kind = "cap-25um";
        life.days = i % 2 == 0 ? 150.0 + 5.0 * i : 60.0 + 2.0 * i;
        life.ended = i % 3 == 2 ? std::nullopt : std::optional{at_day(0.0)};
        life.ended_by = i % 3 == 0 ? std::optional{Reason::slow_response} : std::nullopt;
        lives.push_back(life);
    }
    auto const all = life_statistics(lives);
    REQUIRE(all.size() == 1 + 2 + 1 + 2);
    CHECK(all[0].lives == 30);
    CHECK(all[0].worn == 10);
    CHECK(all[0].by_plan == 10);
    CHECK(all[0].in_use == 10);
    auto const of = [&](fleet::SiteKind water) {
        return *std::find_if(all.begin(), all.end(), [&](auto const& s) { return s.water == water; });
    };
    CHECK(of(fleet::SiteKind::wastewater).weibull.mean() < of(fleet::SiteKind::aquaculture).weibull.mean());
    CHECK(of(fleet::SiteKind::wastewater).curve.size() == 5);
}

TEST_CASE("without any life the usual one is expected", "[service][membranes]") {
    auto const all = life_statistics({});
    REQUIRE(all.size() == 1);
    CHECK(all[0].lives == 0);
    CHECK(all[0].weibull.scale == Approx(200.0));
    CHECK_FALSE(all[0].median_days);
}

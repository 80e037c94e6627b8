// What the daemon answers of instruments, membranes and parts, out of what its store holds.
#include <catch2/catch.hpp>

#include "live/backend.h"
#include "live/estate.h"

namespace probekeeper::live {
namespace {

using service::Work;
using test::at_hour;
using test::Estate;

api::PageRequest const first_page{};

struct Answering : Estate {
    api::Latencies commits;
    std::optional<store::ReaderPool> readers;
    std::optional<Backend> backend;

    Answering() {
        start();
        readers.emplace(folder / "s.db", 2);
        backend.emplace("1", *writer, *readers, arrivals, clock, folder / "s.db", events, commits, log);
        backend->use({board, keeper, nullptr, {}, nullptr, {}});
    }
    ~Answering() { backend->use({}); }

    [[nodiscard]] std::size_t used_tests(std::string const& probe, double from, double until) {
        REQUIRE(writer->flush().get().has_value());
        auto reader = store::Reader::open(folder / "s.db").value();
        auto const all = reader.response_tests(probe, at_hour(from), {1000, std::nullopt}).value().items;
        return static_cast<std::size_t>(std::count_if(
            all.begin(), all.end(), [&](auto const& t) { return t.used && t.time < at_hour(until); }));
    }
};

}  // namespace

TEST_CASE("what records teach is up to date with each that comes or is voided, over a restart too",
          "[live][records]") {
    Answering it;
    auto const lives = [&] { return it.backend->membranes("tank-1", first_page).value().items; };
    CHECK(lives().empty());
    it.record(Work::membrane_change, 5.0, "tank-1");
    CHECK(lives().size() == 1);
    CHECK(lives().size() == 1);  // as it is known by now
    auto const second = it.record(Work::membrane_change, 15.0, "tank-1");
    REQUIRE(lives().size() == 2);
    CHECK(lives().front().ended == at_hour(15.0));
    it.record(Work::membrane_wipe, 8.0, "tank-1");  // late
    CHECK(lives().front().wipes == 1);
    REQUIRE(it.keeper->void_record("tank-1", second.number, "t1", "another tank", {}).has_value());
    REQUIRE(lives().size() == 1);
    CHECK_FALSE(lives().front().ended);
    CHECK(it.keeper->void_record("tank-1", second.number, "t1", "another tank", {}).has_error());
    it.backend->use({});
    it.restart();
    it.backend.emplace("1", *it.writer, *it.readers, it.arrivals, it.clock, it.folder / "s.db", it.events,
                       it.commits, it.log);
    it.backend->use({it.board, it.keeper, nullptr, {}, nullptr, {}});
    CHECK(lives().size() == 1);
    it.record(Work::membrane_change, 22.0, "tank-1");
    CHECK(lives().size() == 2);
}

TEST_CASE(
    "an instrument takes its membrane and its history with it, through the workshop into another position",
    "[live][instruments]") {
    Answering it;
    it.record(Work::membrane_change, 5.0, "tank-1");
    it.record(Work::membrane_wipe, 8.0, "tank-1");
    it.record(Work::probe_swap, 20.0, "tank-1", "NEW");
    it.record(Work::probe_swap, 25.0, "tank-2", "S-tank-1");

    for (auto const* position : {"tank-1", "tank-2"}) {
        auto const lives = it.backend->membranes(position, first_page).value().items;
        REQUIRE(lives.size() == 1);
        CHECK(lives[0].serial == "S-tank-1");
        CHECK(lives[0].wipes == 1);
        CHECK_FALSE(lives[0].ended);
        CHECK(lives[0].days == Approx((15.0 + 5.0) / 24.0));  // the clock stands at 30 h
    }
    REQUIRE(it.writer->flush().get().has_value());  // what history made again is kept behind the answers
    auto const whole = it.backend->instrument("S-tank-1", {}).value();
    REQUIRE(whole.stays.size() == 3);
    CHECK(whole.stays[0].probe == "tank-1");
    CHECK(whole.stays[1].probe.empty());
    CHECK(whole.stays[1].until == at_hour(25.0));
    CHECK(whole.stays[2].site == "saltmarsh");
    REQUIRE(whole.membranes.size() == 1);
    std::size_t tests = 0;
    for (auto const& day : whole.responses) {
        tests += static_cast<std::size_t>(day.tests);
        CHECK(day.t90_20_s == Approx(40.0).epsilon(0.3));
    }
    REQUIRE(tests > 0);
    CHECK(tests == it.used_tests("tank-1", -1.0, 20.0) + it.used_tests("tank-2", 25.0, 31.0));

    auto const listed = it.backend->instruments({"saltmarsh"}, {2, std::nullopt}).value();
    REQUIRE(listed.items.size() == 2);
    CHECK(listed.items[0].serial == "NEW");
    CHECK(listed.items[1].serial == "S-tank-1");
    auto const rest = it.backend->instruments({"saltmarsh"}, {2, listed.next}).value();
    REQUIRE(rest.items.size() == 1);
    CHECK(rest.items[0].serial == "S-tank-2");
    CHECK(rest.items[0].stays.back().probe.empty());  // to the workshop
    CHECK_FALSE(rest.next);
    // Who may see other sites only finds nothing here.
    CHECK(it.backend->instruments({"elsewhere"}, first_page).value().items.empty());
    CHECK(it.backend->instrument("S-tank-1", {"elsewhere"}).error().kind == api::Refusal::Kind::not_found);
}

TEST_CASE("the demand for parts knows ages by records, and leaves out what is parked", "[live][parts]") {
    Answering it;
    auto const bare = it.backend->parts_demand(std::nullopt, 8).value();
    CHECK(bare.weeks.size() == 8);
    CHECK(bare.unknown_age == 2);
    it.record(Work::membrane_change, 5.0, "tank-1");
    auto const known = it.backend->parts_demand("saltmarsh", 8).value();
    CHECK(known.unknown_age == 1);
    REQUIRE_FALSE(known.total.empty());
    CHECK(known.total[0].expected < bare.total[0].expected);  // a new one lasts longer than a middling one
    service::OutOfUse told;
    told.site = "saltmarsh";
    told.from = at_hour(6.0);
    told.why = "fallow";
    REQUIRE(it.backend->set_out_of_use(told, {}).has_value());
    CHECK(it.backend->parts_demand("saltmarsh", 8).value().total.empty());
    CHECK(it.backend->out_of_use("saltmarsh", "tank-2", first_page).value().items.size() == 1);
    CHECK(it.backend->parts_demand("nowhere", 8).error().field == "site");
}

TEST_CASE("findings and lives are told by group, page after page", "[live][findings]") {
    Answering it;
    it.record(Work::membrane_change, 1.0, "tank-1");
    it.record(Work::membrane_change, 9.0, "tank-1");
    CHECK(it.backend->findings(std::nullopt, first_page).value().items.empty());
    CHECK(it.backend->findings("nowhere", first_page).error().field == "site");
    std::vector<service::LifeStatistics> groups;
    api::PageRequest page{1, std::nullopt};
    do {
        auto const got = it.backend->membrane_statistics(std::nullopt, page).value();
        groups.insert(groups.end(), got.items.begin(), got.items.end());
        page.after = got.next;
    } while (page.after);
    REQUIRE(groups.size() == 4);  // all, by water, by kind of membrane, by site
    CHECK(groups[0].lives == 2);
    CHECK(groups[0].by_plan == 1);
    CHECK(groups[0].in_use == 1);
    CHECK(groups[3].site == "saltmarsh");
}

}  // namespace probekeeper::live

// A store stands in for one that cannot be written, and what was read meanwhile goes home.
#include "store/stand_in.h"

#include "store/support.h"

using namespace probekeeper;
using namespace probekeeper::store;
using namespace probekeeper::store::test;

namespace {

std::vector<ProbeReading> some(ProbeKey key, Timestamp from, int count) {
    std::vector<ProbeReading> readings;
    for (int i = 0; i < count; ++i) {
        readings.push_back({key, reading_at(from + seconds(i), i)});
    }
    return readings;
}

std::vector<Reading> all_of(std::filesystem::path const& file, std::string const& probe) {
    auto reader = Reader::open(file).value();
    return reader.readings(probe, from_unix_ms(0), Timestamp::max(), first(10'000)).value().items;
}

// A store with records and readings of the first minutes, and what stands in for it from an hour later on.
struct Both {
    Folder folder;
    std::filesystem::path home = folder / "s.db", stand_in = folder / "stand-in";
    Timestamp back = day_one + seconds(3600.0);

    Both() {
        {
            auto store = Store::open(home).value();
            auto const keys = store.enrol(fleet, day_one).value();
            Changes changes;
            changes.tickets = {full_ticket(3)};
            changes.records = {full_record(7, day_one)};
            changes.checkpoints = {{"a", day_one, "v1", std::vector<std::byte>(3000)}};
            REQUIRE(store.append(some(keys[0], day_one, 600)).has_value());
            REQUIRE(store.keep(changes).has_value());
        }
        auto store = open_stand_in(stand_in, home).value();
        // Another fleet, whose probes have other keys in it than at home.
        auto const keys = store.enrol({{"new", "a"}, {"a-1", "a"}}, back).value();
        Changes changes;
        changes.downtimes = {{day_one, back}};
        REQUIRE(store.keep(changes).has_value());
        REQUIRE(store.append(some(keys[0], back, 7'000)).has_value());
        REQUIRE(store.append(some(keys[1], back, 10)).has_value());
    }
};

}  // namespace

TEST_CASE("what stands in for a store knows what people wrote and what was learned, and no readings",
          "[store][stand_in]") {
    Both both;
    auto reader = Reader::open(both.stand_in).value();
    CHECK(reader.ticket("a-3").value());
    CHECK(reader.service_record(7).value());
    CHECK(reader.checkpoint("a", "v1").value());
    CHECK(all_of(both.stand_in, "a-1").size() == 10);
    CHECK(all_of(both.home, "a-1").size() == 600);
}

TEST_CASE("readings go home once, however often they are brought, and the time without is the daemon's own",
          "[store][stand_in]") {
    Both both;
    {
        auto store = Store::open(both.home).value();
        CHECK(bring_home(both.stand_in, store, both.back).value() == 7'010);
        CHECK(bring_home(both.stand_in, store, both.back).value() == 7'010);
    }
    auto const old_probe = all_of(both.home, "a-1");
    REQUIRE(old_probe.size() == 610);
    CHECK(same(old_probe.back(), reading_at(both.back + seconds(9.0), 9)));
    CHECK(all_of(both.home, "new").size() == 7'000);
    auto reader = Reader::open(both.home).value();
    auto const downtimes = reader.downtimes(day_one).value();
    REQUIRE(downtimes.size() == 1);
    CHECK(downtimes[0].stopped_at == day_one + seconds(599.0));  // where readings at home end
    CHECK(downtimes[0].started_at == both.back);
}

TEST_CASE("a stand-in is full where its bound is reached, and what it has can still be read",
          "[store][stand_in]") {
    Folder folder;
    auto store = Store::open_beside(folder / "stand-in", folder / "none.db", 400'000).value();
    auto const keys = store.enrol(fleet, day_one).value();
    std::optional<Failure> failure;
    std::size_t kept = 0;
    for (int i = 0; i < 1'000 && !failure; ++i) {
        Changes changes;
        changes.checkpoints = {{fmt::format("site-{}", i), day_one, "v1", std::vector<std::byte>(10'000)}};
        auto const done = store.keep(changes);
        kept += done ? 1U : 0U;
        failure = done ? std::nullopt : std::optional{done.error()};
    }
    REQUIRE(failure);
    CHECK(failure->fault == Fault::full);
    CHECK(kept > 20);
    CHECK(kept < 60);
    CHECK(Reader::open(folder / "stand-in").value().checkpoint("site-0", "v1").value());
}

TEST_CASE("the folder of a stand-in is its owner's alone, and goes with it", "[store][stand_in]") {
    auto const file = new_stand_in().value();
    auto const folder = file.parent_path();
    CHECK((std::filesystem::status(folder).permissions() & std::filesystem::perms::mask) ==
          std::filesystem::perms::owner_all);
    CHECK(open_stand_in(file, "/nowhere/s.db").has_value());
    remove_stand_in(file);
    CHECK_FALSE(std::filesystem::exists(folder));
}

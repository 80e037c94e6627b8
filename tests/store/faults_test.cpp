#include "store/faults.h"

#include <future>

#include "store/sqlite.h"
#include "store/support.h"
#include "store/writer.h"

using namespace probekeeper;
using namespace probekeeper::store;
using namespace probekeeper::store::test;
using namespace std::chrono_literals;

namespace {

std::vector<ProbeReading> some_readings(ProbeKey key, int group) {
    std::vector<ProbeReading> batch;
    for (int i = 0; i < 200; ++i) {
        batch.push_back({key, reading_at(day_one + seconds(200 * group + i), i)});
    }
    return batch;
}

std::int64_t counted_in_steps(Reader& reader) {
    std::int64_t counted = 0;
    for (auto const& s :
         reader.steps("a-1", day_one, day_one + days(1), seconds(60), first(1000)).value().items) {
        counted += s.count;
    }
    return counted;
}

}  // namespace

TEST_CASE(
    "whichever operation of the disk fails, a group is whole or not there, and succeeds when tried again",
    "[store][faults]") {
    auto const fault = GENERATE(DiskFault::full, DiskFault::io);
    FailingDisk disk;
    int failures = 0;
    for (int n = 0;; ++n) {
        CAPTURE(n);
        Folder const folder;
        Store::Options options;
        options.log_kib = 16;  // so that checkpoints happen, and fail, too
        auto store = Store::open(folder / "s.db", options).value();
        auto const keys = store.enrol(fleet, day_one).value();
        REQUIRE(store.append(some_readings(keys[0], 0)).has_value());
        auto const batch = some_readings(keys[0], 1);
        Changes changes;
        changes.tickets = {full_ticket(1)};
        auto const group = [&]() -> Result<void> {
            auto const appended = store.append(batch);
            return appended.has_error() ? Result<void>{appended.error()} : store.keep(changes);
        };
        disk.fail_after(n, fault);
        auto const result = store.together(Outlives::disk, group);
        bool const failed = disk.has_failed();
        disk.heal();
        auto reader = Reader::open(folder / "s.db").value();
        bool const there = reader.ticket("a-1").value().has_value();
        CHECK(counted_in_steps(reader) == (there ? 400 : 200));
        if (result.has_error()) {
            ++failures;
            CHECK_FALSE(there);
            CHECK(may_pass(result.error().fault));
            CHECK_THAT(result.error().message, Catch::Contains("s.db"));
            REQUIRE(store.together(Outlives::disk, group).has_value());
        }
        CHECK(reader.ticket("a-1").value());
        CHECK(counted_in_steps(reader) == 400);
        if (!failed) {
            break;
        }
    }
    CHECK(failures > 5);
}

TEST_CASE("while the disk is full readings wait and who waits is told, and afterwards all is there",
          "[store][faults][writer]") {
    FailingDisk disk;
    Folder const folder;
    auto store = Store::open(folder / "s.db").value();
    auto const keys = store.enrol(fleet, day_one).value();
    std::promise<void> first_failed, recovered;
    int failed = 0;
    bool told = false;
    Writer::Options options;
    options.group_every = 20ms;
    options.on_group = [&](Writer::Group const& group) {
        if (group.failure && ++failed == 3) {
            first_failed.set_value();
        }
        if (!group.failure && failed >= 3 && !told) {
            told = true;
            recovered.set_value();
        }
    };
    Writer writer{std::move(store), Retention{}, options};
    REQUIRE(writer.flush().get().has_value());
    disk.fail_after(0, DiskFault::full);
    for (auto const& reading : some_readings(keys[0], 0)) {
        writer.add(reading);
    }
    Changes own, asked;
    own.tickets = {full_ticket(1)};
    asked.tickets = {full_ticket(2)};
    writer.later(own);
    auto const refused = writer.now(asked).get();
    REQUIRE(refused.has_error());
    CHECK(refused.error().fault == Fault::full);
    CHECK_THAT(refused.error().message, Catch::Contains("free some room"));
    first_failed.get_future().wait();
    CHECK(writer.state().failing->fault == Fault::full);
    CHECK(writer.state().readings_waiting > 0);
    disk.heal();
    recovered.get_future().wait();
    CHECK(writer.stop().has_value());
    CHECK_FALSE(writer.state().failing);
    CHECK(writer.state().written == 200);
    CHECK(writer.state().readings_dropped == 0);
    auto reader = Reader::open(folder / "s.db").value();
    CHECK(reader.ticket("a-1").value());
    CHECK_FALSE(reader.ticket("a-2").value());  // whoever asked was told that it failed
    CHECK(counted_in_steps(reader) == 200);
}

TEST_CASE("stopping on a broken disk says what was lost", "[store][faults][writer]") {
    FailingDisk disk;
    Folder const folder;
    auto store = Store::open(folder / "s.db").value();
    auto const keys = store.enrol(fleet, day_one).value();
    Writer::Options options;
    options.group_every = 1h;
    Writer writer{std::move(store), Retention{}, options};
    REQUIRE(writer.flush().get().has_value());
    disk.fail_after(0, DiskFault::io);
    for (auto const& reading : some_readings(keys[0], 0)) {
        writer.add(reading);
    }
    auto const stopped = writer.stop();
    REQUIRE(stopped.has_error());
    CHECK(stopped.error().fault == Fault::io);
    CHECK_THAT(stopped.error().message, Catch::Contains("200 readings"));
    CHECK(writer.state().readings_dropped == 200);
}

TEST_CASE("whichever operation of the disk fails while readings become blocks, each is there once",
          "[store][faults]") {
    FailingDisk disk;
    int failures = 0;
    for (int n = 0;; ++n) {
        CAPTURE(n);
        Folder const folder;
        auto store = Store::open(folder / "s.db").value();
        auto const keys = store.enrol(fleet, day_one).value();
        REQUIRE(store.append(some_readings(keys[0], 0)).has_value());
        REQUIRE(store.compact().has_value());
        REQUIRE(store.append(some_readings(keys[0], 1)).has_value());
        disk.fail_after(n, DiskFault::io);
        auto const result = store.compact();
        bool const failed = disk.has_failed();
        disk.heal();
        auto reader = Reader::open(folder / "s.db").value();
        CHECK(counted_in_steps(reader) == 400);
        failures += result.has_error() ? 1 : 0;
        CHECK(store.append(some_readings(keys[0], 1)).value().repeats == 200);
        REQUIRE(store.compact().has_value());
        CHECK(counted_in_steps(reader) == 400);
        if (!failed) {
            break;
        }
    }
    CHECK(failures > 0);
}

// A disk that fails once, or from then on, at each single operation of all that a daemon does with its store.
#include <future>

#include "store/faults.h"
#include "store/sqlite.h"
#include "store/support.h"
#include "store/writer.h"

using namespace probekeeper;
using namespace probekeeper::store;
using namespace probekeeper::store::test;
using namespace std::chrono_literals;

namespace {

constexpr int group_size = 200;

service::Ticket ticket_after(int steps) {
    auto ticket = full_ticket(1);
    ticket.history.clear();
    for (int i = 0; i < steps; ++i) {
        ticket.history.push_back({day_one + Millis{i}, service::State::open, "someone", fmt::format("step {}", i)});
    }
    return ticket;
}

// From a first start over an end and a second start to the end.
class Session {
public:
    explicit Session(std::filesystem::path path) : path_{std::move(path)} {}

    // Goes on from the first step that was not acknowledged; false where the disk failed.
    bool go_on() {
        while (done_ < step_count) {
            if (!store_) {
                auto opened = Store::open(path_);
                if (opened.has_error()) {
                    return false;
                }
                store_.emplace(std::move(*opened));
            }
            if (take(done_).has_error()) {
                return false;
            }
            ++done_;
            if (done_ == first_end) {
                store_.reset();
            }
        }
        store_.reset();
        return true;
    }
    void end() { store_.reset(); }

    // What is missing of what was acknowledged, or there more than once; empty where all is well. The one step that
    // failed may be there or not.
    [[nodiscard]] std::string wrong() const {
        Database db{path_, Access::read, Millis{0}};
        Query check{db, "PRAGMA integrity_check"};
        auto const integrity = check.row() ? check.text() : "no answer";
        if (integrity != "ok") {
            return integrity;
        }
        auto reader = Reader::open(path_).value();
        int const acknowledged = steps_of_ticket(done_), in_doubt = steps_of_ticket(done_ + 1);
        auto const ticket = reader.ticket("a-1").value();
        int const found = ticket ? static_cast<int>(ticket->history.size()) : 0;
        if (found != acknowledged && found != in_doubt) {
            return fmt::format("{} steps of the ticket, {} acknowledged", found, acknowledged);
        }
        auto const records = reader.all_records().value().size();
        if (records != records_after(done_) && records != records_after(done_ + 1)) {
            return fmt::format("{} records", records);
        }
        std::int64_t readings = 0;
        for (auto const& s : reader.steps("a-1", day_one, day_one + days(1), seconds(60), first(1000)).value().items) {
            readings += s.count;
        }
        if (readings != readings_after(done_) && readings != readings_after(done_ + 1)) {
            return fmt::format("{} readings, {} acknowledged", readings, readings_after(done_));
        }
        return {};
    }

    static constexpr int step_count = 10, first_end = 6;

private:
    static int steps_of_ticket(int done) { return done < 3 ? 0 : done < 6 ? 1 : done < 7 ? 2 : 3; }
    static std::size_t records_after(int done) { return done < 4 ? 0 : 1; }
    static std::int64_t readings_after(int done) {
        constexpr std::array groups{0, 0, 1, 2, 2, 2, 3, 4, 4, 4, 5};
        return std::int64_t{group_size} * groups.at(static_cast<std::size_t>(std::min(done, step_count)));
    }

    Result<void> append(int group) {
        std::vector<ProbeReading> batch;
        for (int i = 0; i < group_size; ++i) {
            batch.push_back({ProbeKey{1}, reading_at(day_one + seconds(group_size * group + i), i)});
        }
        auto const appended = store_->append(batch);
        return appended.has_error() ? Result<void>{appended.error()} : Result<void>{};
    }
    Result<void> group_and_step(Outlives outlives, int group, int steps) {
        return store_->together(outlives, [&]() -> Result<void> {
            Changes changes;
            changes.tickets = {ticket_after(steps)};
            if (steps == 3) {
                changes.checkpoints = {{"a", day_one, "v1", std::vector<std::byte>(30'000)}};
            }
            auto const appended = append(group);
            return appended.has_error() ? appended : store_->keep(changes);
        });
    }
    Result<void> record() {
        // Whoever was told that it failed sends it again, and it may be there.
        auto const known = Reader::open(path_, Millis{0});
        if (known.has_error()) {
            return known.error();
        }
        Changes changes;
        changes.records = {full_record(1, day_one)};
        auto const kept = store_->keep(changes);
        return kept.has_error() && kept.error().fault == Fault::conflict ? Result<void>{} : kept;
    }
    Result<void> expire() {
        for (;;) {
            auto const more = store_->expire_some({seconds(600), days(1)}, 100);
            if (more.has_error()) {
                return more.error();
            }
            if (!*more) {
                return {};
            }
        }
    }
    Result<void> take(int step) {
        switch (step) {
            case 0: {
                auto const keys = store_->enrol(fleet, day_one);
                return keys.has_error() ? Result<void>{keys.error()} : Result<void>{};
            }
            case 1:
                return append(0);
            case 2:
                return group_and_step(Outlives::disk, 1, 1);
            case 3:
                return record();
            case 5:
                return group_and_step(Outlives::process, 2, 2);
            case 6:
                return group_and_step(Outlives::disk, 3, 3);
            case 8:
                return expire();
            case 9:
                return append(4);
            default:  // 4 and 7
                return store_->compact();
        }
    }

    std::filesystem::path path_;
    std::optional<Store> store_;
    int done_ = 0;
};

struct Way {
    DiskFault fault = DiskFault::full;
    // Whether the daemon goes on with the store as it has it open, or was ended and starts again.
    bool ends = false;
};

// With the n-th operation failing, for n = 0, 1, 2, ... until none fails.
void fail_each_operation(Lasts lasts, std::function<Way(int)> const& way_of) {
    FailingDisk disk;
    int failures = 0, operations = 0;
    for (bool failed = true; failed; ++operations) {
        auto const way = way_of(operations);
        CAPTURE(operations, way.fault == DiskFault::full, way.ends);
        Folder const folder;
        Session session{folder / "s.db"};
        disk.fail_after(operations, way.fault, lasts);
        bool whole = session.go_on();
        failed = disk.has_failed();
        disk.heal();
        if (way.ends) {
            session.end();
        }
        if (!whole) {
            ++failures;
            if (way.ends) {
                REQUIRE(Store::open(folder / "s.db").has_value());
            }
            if (Reader::open(folder / "s.db").has_value()) {  // else it is not made yet
                REQUIRE(session.wrong() == "");
            }
            whole = session.go_on();
        }
        REQUIRE(whole);
        REQUIRE(session.wrong() == "");
    }
    CHECK(operations > 50);
    CHECK(failures > 30);
}

}  // namespace

TEST_CASE("whichever operation of the disk fails between a first start and a last end, nothing acknowledged is lost or "
          "doubled, and the session goes on",
          "[store][faults][session]") {
    auto const lasts = GENERATE(Lasts::once, Lasts::until_healed);
    fail_each_operation(lasts, [](int n) { return Way{n % 4 < 2 ? DiskFault::full : DiskFault::io, n % 2 == 0}; });
}

// All combinations: by hand, test_store "[every]".
TEST_CASE("the same with each kind of failure of each operation, with an end and without", "[.][every]") {
    auto const lasts = GENERATE(Lasts::once, Lasts::until_healed);
    auto const fault = GENERATE(DiskFault::full, DiskFault::io);
    auto const ends = GENERATE(false, true);
    fail_each_operation(lasts, [&](int) { return Way{fault, ends}; });
}

TEST_CASE("a disk that takes a second to sync makes nobody wait who adds readings, and all are kept",
          "[store][faults][slow]") {
    FailingDisk disk;
    Folder const folder;
    auto store = Store::open(folder / "s.db").value();
    auto const keys = store.enrol(fleet, day_one).value();
    Writer::Options options;
    options.group_every = 10ms;
    options.to_disk_every = 0ms;  // every group waits for the disk
    Writer writer{std::move(store), Retention{}, options};
    disk.slow_down(1000ms);
    auto longest = 0ns;
    auto const began = std::chrono::steady_clock::now();
    int added = 0;
    while (std::chrono::steady_clock::now() - began < 2500ms) {
        auto const before = std::chrono::steady_clock::now();
        writer.add({keys[0], reading_at(day_one + seconds(added++), 7.0)});
        longest = std::max<std::chrono::nanoseconds>(longest, std::chrono::steady_clock::now() - before);
        std::this_thread::sleep_for(1ms);
    }
    CHECK(writer.flush().get().has_value());
    CHECK(longest < 500ms);  // half a second for a busy machine
    CHECK(writer.state().written == static_cast<std::uint64_t>(added));
    CHECK(writer.state().readings_dropped == 0);
    disk.slow_down(0ms);
}

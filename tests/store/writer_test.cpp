#include <sys/wait.h>
#include <unistd.h>

#include <atomic>

#include "store/reader_pool.h"
#include "store/support.h"
#include "store/writer.h"

using namespace probekeeper;
using namespace probekeeper::store;
using namespace probekeeper::store::test;
using namespace std::chrono_literals;

namespace {

// What the writer tells of its groups, for a test to wait on.
class Groups {
public:
    void tell(Writer::Group const& group) {
        std::lock_guard const lock{mutex_};
        groups_.push_back(group);
        told_.notify_all();
    }
    // The n-th group, counted from 0.
    Writer::Group wait_for(std::size_t n) {
        std::unique_lock lock{mutex_};
        REQUIRE(told_.wait_for(lock, 30s, [&] { return groups_.size() > n; }));
        return groups_[n];
    }

private:
    std::mutex mutex_;
    std::condition_variable told_;
    std::vector<Writer::Group> groups_;
};

struct Started {
    Folder folder;
    Groups groups;
    std::vector<ProbeKey> keys;
    std::optional<Writer> writer;

    explicit Started(Writer::Options options = {}) {
        auto store = Store::open(folder / "s.db").value();
        keys = store.enrol(fleet, day_one).value();
        options.on_group = [this](Writer::Group const& g) { groups.tell(g); };
        writer.emplace(std::move(store), Retention{}, options);
    }
    ~Started() { writer.reset(); }
    Reader reader() { return Reader::open(folder / "s.db").value(); }
};

}  // namespace

TEST_CASE("readings are committed together, a second after the first of them", "[store][writer]") {
    Started s;
    auto const began = std::chrono::steady_clock::now();
    for (int i = 0; i < 100; ++i) {
        s.writer->add({s.keys[0], reading_at(day_one + seconds(i), i)});
    }
    auto const group = s.groups.wait_for(0);
    auto const took = std::chrono::steady_clock::now() - began;
    CHECK(group.readings == 100);
    CHECK(group.outlives == Outlives::process);
    CHECK(took >= 1000ms);
    CHECK(took < 3000ms);  // two of them for a busy machine
    CHECK(s.writer->state().written == 100);
    CHECK(s.reader().newest_reading("a-1").value()->do_mg_l == 99.0);
}

TEST_CASE("a ticket can be looked up without waiting for the next group", "[store][writer]") {
    Writer::Options options;
    options.group_every = 1h;
    Started s{options};
    Changes changes;
    changes.tickets = {full_ticket(1)};
    s.writer->later(changes);
    s.groups.wait_for(0);
    CHECK(s.reader().tickets({}, first(100)).value().items.size() == 1);
}

TEST_CASE("what somebody waits for is on the disk before the answer, with the readings before it",
          "[store][writer]") {
    Writer::Options options;
    options.group_every = 1h;
    Started s{options};
    s.writer->add({s.keys[0], reading_at(day_one, 7.0)});
    Changes changes;
    changes.tickets = {full_ticket(1)};
    CHECK(s.writer->now(changes).get().has_value());
    auto reader = s.reader();
    CHECK(reader.ticket("a-1").value());
    CHECK(reader.newest_reading("a-1").value());
    CHECK(s.groups.wait_for(0).outlives == Outlives::disk);

    auto const appended =
        s.writer->add_surely({{s.keys[1], reading_at(day_one, 1.0)}, {s.keys[0], reading_at(day_one, 2.0)}});
    CHECK(s.groups.wait_for(1).outlives == Outlives::disk);
}

TEST_CASE("an upload is answered with what became of it", "[store][writer]") {
    Writer::Options options;
    options.group_every = 1h;
    Started s{options};
    std::vector<ProbeReading> const upload{{s.keys[1], reading_at(day_one, 1.0)},
                                           {s.keys[1], reading_at(day_one, 2.0)}};
    auto const appended = s.writer->add_surely(upload).get().value();
    CHECK(appended.written == 1);
    CHECK(appended.repeats == 1);
    CHECK(s.writer->enrol({{"c-1", "c"}}, day_one).get().value().size() == 1);
}

TEST_CASE("one change that contradicts the stored data spoils no other in its group", "[store][writer]") {
    Started s;
    auto bad = full_ticket(2);
    bad.probe = "ghost";
    Changes good_changes, bad_changes;
    good_changes.tickets = {full_ticket(1)};
    bad_changes.tickets = {bad};
    s.writer->later(bad_changes);
    auto refused = s.writer->now(bad_changes);
    auto kept = s.writer->now(good_changes);
    CHECK(refused.get().error().fault == Fault::conflict);
    CHECK(kept.get().has_value());
    CHECK(s.reader().ticket("a-1").value());
    std::size_t jobs = 0, given_up = 0;
    for (std::size_t n = 0; jobs < 3; ++n) {
        auto const group = s.groups.wait_for(n);
        jobs += group.jobs;
        given_up += group.refused.size();
    }
    CHECK(given_up == 1);
    CHECK_FALSE(s.writer->state().failing);
}

TEST_CASE("a full queue drops its oldest readings and counts them, and never a ticket", "[store][writer]") {
    // The writer is held up inside its report of the first group, so that nothing leaves the queue meanwhile.
    Folder const folder;
    auto store = Store::open(folder / "s.db").value();
    auto const keys = store.enrol(fleet, day_one).value();
    std::promise<void> held, go_on;
    auto gate = go_on.get_future().share();
    std::atomic<int> told{0};
    Writer::Options options;
    options.readings_waiting_most = 100;
    options.findings_waiting_most = 10;
    options.on_group = [&](Writer::Group const&) {
        if (told++ == 0) {
            held.set_value();
            gate.wait();
        }
    };
    Writer writer{std::move(store), Retention{}, options};
    auto const first_flush = writer.flush();
    held.get_future().wait();
    for (int i = 0; i < 250; ++i) {
        writer.add({keys[0], reading_at(day_one + seconds(i), i)});
    }
    for (int i = 0; i < 25; ++i) {
        Changes finding, ticket;
        finding.diagnoses = {{"a-1", day_one + seconds(i), diagnosis::Condition::good, "{}"}};
        ticket.tickets = {full_ticket(i + 1)};
        writer.later(finding);
        writer.later(ticket);
    }
    CHECK(writer.state().readings_dropped == 150);
    CHECK(writer.state().findings_dropped == 15);
    CHECK(writer.state().readings_waiting == 100);
    CHECK(writer.state().jobs_waiting == 35);
    go_on.set_value();
    CHECK(writer.stop().has_value());
    CHECK(writer.state().written == 100);

    auto reader = Reader::open(folder / "s.db").value();
    auto const kept = reader.readings("a-1", day_one, day_one + days(1), first(1000)).value().items;
    REQUIRE(kept.size() == 100);
    CHECK(kept.front().do_mg_l == 150.0);
    CHECK(reader.tickets({}, first(100)).value().items.size() == 25);
    auto const diagnoses = reader.diagnoses("a-1", day_one, day_one + days(1), first(100)).value().items;
    REQUIRE(diagnoses.size() == 10);
    CHECK(diagnoses.front().at == day_one + seconds(15));
}

TEST_CASE("stopping writes what is waiting, frees the store, and answers what comes after",
          "[store][writer]") {
    Writer::Options options;
    options.group_every = 1h;
    Started s{options};
    s.writer->add({s.keys[0], reading_at(day_one, 7.0)});
    Changes changes;
    changes.tickets = {full_ticket(1)};
    s.writer->later(changes);
    CHECK(s.writer->stop().has_value());
    CHECK(s.writer->stop().has_value());
    CHECK(s.writer->now(changes).get().error().fault == Fault::stopped);
    s.writer->add({s.keys[0], reading_at(day_one, 7.0)});
    CHECK(s.writer->state().readings_dropped == 1);
    auto const store = Store::open(s.folder / "s.db").value();
    CHECK_FALSE(store.ended_uncleanly());
    CHECK(store.newest() == day_one);
    CHECK(store.highest_ticket_number("a") == 1);
}

TEST_CASE("the writer deletes what retention no longer covers without being asked", "[store][writer]") {
    Folder const folder;
    auto store = Store::open(folder / "s.db").value();
    auto const keys = store.enrol(fleet, day_one).value();
    std::vector<ProbeReading> batch;
    for (int i = 0; i < 1000; ++i) {
        batch.push_back({keys[0], reading_at(day_one + days(i), i)});
    }
    REQUIRE(store.append(batch).has_value());
    Writer::Options options;
    options.expire_rows_at_once = 100;
    options.expire_every = 1ms;
    Writer writer{std::move(store), Retention{days(400), days(800)}, options};
    auto reader = Reader::open(folder / "s.db").value();
    auto const oldest = [&] {
        return reader.readings("a-1", day_one, day_one + days(1000), first(1)).value().items[0].time;
    };
    auto const expected = day_one + days(599);
    // Each round waits for the writer's own answer, so there is nothing to sleep for.
    for (int round = 0; round < 1000 && oldest() != expected; ++round) {
        REQUIRE(writer.flush().get().has_value());
    }
    CHECK(oldest() == expected);
}

TEST_CASE("readers see whole groups while the writer goes on", "[store][writer][threads]") {
    Writer::Options options;
    options.group_every = 1ms;
    Started s{options};
    ReaderPool pool{s.folder / "s.db", 2};
    std::atomic<bool> done{false};
    std::atomic<int> broken{0}, looked{0};
    auto const look = [&] {
        do {
            auto lease = pool.lend().value();
            auto const ticket = lease->ticket("a-1").value();
            // Each commit of the ticket adds one entry and one word of work.
            broken += ticket && ticket->history.size() != ticket->work.size();
            auto const steps =
                lease->steps("a-1", day_one, day_one + days(1), seconds(60), first(1000)).value();
            std::int64_t counted = 0;
            for (auto const& step : steps.items) {
                counted += step.count;
            }
            broken += counted % 10 != 0;
            ++looked;
        } while (!done);
    };
    std::vector<std::thread> threads;
    for (int i = 0; i < 3; ++i) {
        threads.emplace_back(look);
    }
    auto ticket = full_ticket(1);
    ticket.history.clear();
    ticket.work.clear();
    for (int i = 0; i < 200; ++i) {
        std::vector<ProbeReading> ten;
        for (int k = 0; k < 10; ++k) {
            ten.push_back({s.keys[0], reading_at(day_one + seconds(10 * i + k), k)});
        }
        ticket.history.push_back({day_one + seconds(i), service::State::open, "x", ""});
        ticket.work.push_back("w");
        Changes changes;
        changes.tickets = {ticket};
        s.writer->add({s.keys[1], reading_at(day_one + seconds(i), i)});
        auto appended = s.writer->add_surely(ten);
        REQUIRE(s.writer->now(changes).get().has_value());
        REQUIRE(appended.get().has_value());
    }
    done = true;
    for (auto& thread : threads) {
        thread.join();
    }
    CHECK(looked >= 3);
    CHECK(broken == 0);
}

TEST_CASE("nothing that was answered is lost to a kill at any moment", "[store][writer][kill]") {
    Folder const folder;
    std::array<int, 2> told{};
    REQUIRE(pipe(told.data()) == 0);
    auto const child = fork();
    if (child == 0) {
        auto store = Store::open(folder / "s.db").value();
        auto const keys = store.enrol(fleet, day_one).value();
        Writer writer{std::move(store), Retention{}};
        for (int i = 1;; ++i) {
            for (int k = 0; k < 100; ++k) {
                writer.add({keys[1], reading_at(day_one + Millis{100 * i + k}, k)});
            }
            Changes changes;
            changes.tickets = {full_ticket(i)};
            if (!writer.now(changes).get().has_value() || write(told[1], &i, sizeof i) != sizeof i) {
                _exit(1);
            }
        }
    }
    close(told[1]);
    int answered = 0;
    while (answered < 50 && read(told[0], &answered, sizeof answered) == sizeof answered) {
    }
    REQUIRE(kill(child, SIGKILL) == 0);
    while (read(told[0], &answered, sizeof answered) == sizeof answered) {
    }
    close(told[0]);
    int status = 0;
    REQUIRE(waitpid(child, &status, 0) == child);
    REQUIRE(answered >= 50);

    auto const store = Store::open(folder / "s.db").value();
    CHECK(store.highest_ticket_number("a") >= answered);
    auto reader = Reader::open(folder / "s.db").value();
    for (int i = 1; i <= answered; ++i) {
        REQUIRE(reader.ticket(fmt::format("a-{}", i)).value());
    }
    auto stream = reader.stream({"a-2"}, day_one, day_one + Millis{100 * (answered + 1)}).value();
    int readings = 0;
    while (stream.next().value()) {
        ++readings;
    }
    CHECK(readings == 100 * answered);  // what came before an answered change is there too
}

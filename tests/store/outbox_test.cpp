#include <algorithm>
#include <map>

#include "store/support.h"

using namespace probekeeper;
using namespace probekeeper::store;
using namespace probekeeper::store::test;

namespace {

bool keep(Store& store, FeedChanges feed) {
    Changes changes;
    changes.feed = std::move(feed);
    return store.keep(changes).has_value();
}

FeedChanges begun() {
    FeedChanges feed;
    feed.feeding = true;
    return feed;
}

// A store that tells a hub, with the fleet enrolled and nothing waiting.
struct Told {
    Folder folder;
    Store store = Store::open(folder / "s.db").value();
    std::vector<ProbeKey> keys = store.enrol(fleet, day_one).value();
    Told() { REQUIRE(keep(store, begun())); }

    Reader reader() { return Reader::open(folder / "s.db").value(); }
    std::vector<WaitingFact> facts(std::int64_t after = 0) {
        return reader().waiting_facts(after, 1000).value();
    }
    std::vector<WaitingHour> hours(std::int64_t after = 0) {
        return reader().waiting_hours(after, 1000).value();
    }
    void append(std::size_t probe, Timestamp at, double value = 7.0) {
        std::vector<ProbeReading> const one{{keys[probe], reading_at(at, value)}};
        REQUIRE(store.append(one).has_value());
    }
};

ProbeDiagnosis diagnosis_at(Timestamp at, std::string const& document = "{}") {
    ProbeDiagnosis d;
    d.probe = "a-1";
    d.at = at;
    d.document = document;
    return d;
}

std::string kinds(std::vector<WaitingFact> const& facts) {
    std::string out;
    for (auto const& f : facts) {
        out += out.empty() ? "" : " ";
        out += to_word(f.fact.kind);
    }
    return out;
}

}  // namespace

TEST_CASE("without a hub nothing is noted for one", "[store][outbox]") {
    Folder folder;
    auto store = Store::open(folder / "s.db").value();
    auto const keys = store.enrol(fleet, day_one).value();
    Changes changes;
    changes.tickets.push_back(full_ticket(1));
    changes.diagnoses.push_back(diagnosis_at(day_one));
    REQUIRE(store.keep(changes).has_value());
    std::vector<ProbeReading> const readings{{keys[0], reading_at(day_one, 7.0)},
                                             {keys[0], reading_at(day_one + days(1), 7.0)}};
    REQUIRE(store.append(readings).has_value());
    auto reader = Reader::open(folder / "s.db").value();
    CHECK_FALSE(reader.feed().value().has_value());
    CHECK(reader.waiting_facts(0, 10).value().empty());
    CHECK(reader.waiting_hours(0, 10).value().empty());
}

TEST_CASE("a thing that changes again waits once, behind what changed before", "[store][outbox]") {
    Told told;
    Changes first_change;
    first_change.tickets.push_back(full_ticket(1));
    REQUIRE(told.store.keep(first_change).has_value());
    CHECK(kinds(told.facts()) == "ticket probe");
    auto const before = told.facts();
    Changes second;
    second.diagnoses.push_back(diagnosis_at(day_one));
    REQUIRE(told.store.keep(second).has_value());
    REQUIRE(told.store.keep(first_change).has_value());
    auto const facts = told.facts();
    CHECK(kinds(facts) == "diagnosis ticket probe");
    CHECK(facts[1].seq > before.back().seq);
    CHECK(facts[1].fact == Fact{FactKind::ticket, "a", {}, {}, 1});
    CHECK(told.reader().feed_backlog().value().facts == 3);
}

TEST_CASE("what is noted stands or falls with the change itself", "[store][outbox]") {
    Told told;
    Changes impossible;
    impossible.tickets.push_back(full_ticket(1));
    impossible.voidings.push_back({4711, day_one, "no such record", "x"});
    CHECK_FALSE(told.store.keep(impossible).has_value());
    CHECK(told.facts().empty());
    auto const undone = told.store.together(Outlives::process, [&]() -> Result<void> {
        told.append(0, day_one);
        told.append(0, day_one + 2 * days(1));
        return Failure{Fault::io, "the disk"};
    });
    CHECK_FALSE(undone.has_value());
    CHECK(told.hours().empty());
    told.append(0, day_one + days(3));  // memory follows the file: no hour was open
    CHECK(told.hours().empty());
}

TEST_CASE("a rewind is told after what it takes back and before what comes in its place", "[store][outbox]") {
    Told told;
    Changes changes;
    changes.diagnoses.push_back(diagnosis_at(day_one));
    changes.tests.push_back({"a-1", {}});
    changes.tests.back().test.time = day_one;
    REQUIRE(told.store.keep(changes).has_value());
    Changes again;
    again.rewinds.push_back({"a", day_one});
    again.diagnoses.push_back(diagnosis_at(day_one));
    REQUIRE(told.store.keep(again).has_value());
    CHECK(kinds(told.facts()) == "test rewind diagnosis probe");
    CHECK(told.facts()[1].fact.number == to_unix_ms(day_one));
    CHECK_FALSE(told.reader().response_test("a-1", day_one, told.facts()[0].fact.detail).value().has_value());
}

TEST_CASE("an hour is told when it is over, and again when it changes", "[store][outbox]") {
    Told told;
    auto const hour = std::chrono::hours{1};
    told.append(0, day_one);
    told.append(0, day_one + hour - Millis{1});
    told.append(1, day_one + Millis{5});
    CHECK(told.hours().empty());
    told.append(0, day_one + hour);  // a-1's first hour is over
    REQUIRE(told.hours().size() == 1);
    CHECK(told.hours()[0].probe == "a-1");
    CHECK(told.hours()[0].site == "a");
    CHECK(told.hours()[0].start == day_one);

    SECTION("told, it waits no more, until a late reading changes it") {
        FeedChanges done;
        done.told = FeedPosition{0, told.hours()[0].seq};
        REQUIRE(keep(told.store, done));
        CHECK(told.hours().empty());
        told.append(0, day_one + Millis{77});
        REQUIRE(told.hours().size() == 1);
        CHECK(told.hours()[0].start == day_one);
        CHECK(told.hours()[0].seq > done.told->hours);
    }
    SECTION("of a probe that falls silent by the clock") {
        FeedChanges close;
        close.hours_until = day_one + hour;
        REQUIRE(keep(told.store, close));
        REQUIRE(told.hours().size() == 2);
        CHECK(told.hours()[1].probe == "a-2");
        auto const before = told.hours()[1].seq;
        told.append(1, day_one + Millis{6});  // of the same hour, late
        REQUIRE(told.hours().size() == 2);
        CHECK(told.hours()[1].seq > before);
        CHECK_FALSE(told.reader().has_hours_over(day_one + hour).value());
        CHECK(told.reader().has_hours_over(day_one + 2 * hour).value());
        close.hours_until = day_one + 2 * hour;
        REQUIRE(keep(told.store, close));
        CHECK(told.hours().size() == 3);     // a-1's second hour
        told.append(1, day_one + 2 * hour);  // a-2's next one; its first has been told to be over
        CHECK(told.hours().size() == 3);
    }
    SECTION("also over a restart in between") {
        told.store = [&] {
            auto const file = told.folder / "s.db";
            { auto const closed = std::move(told.store); }
            return Store::open(file).value();
        }();
        told.append(1, day_one + 3 * hour);
        REQUIRE(told.hours().size() == 2);
        CHECK(told.hours()[1].probe == "a-2");
        CHECK(told.hours()[1].start == day_one);
    }
}

TEST_CASE("a site that is told again is told whole, its past behind its present", "[store][outbox]") {
    Told told;
    Changes changes;
    changes.tickets.push_back(full_ticket(1));
    changes.diagnoses.push_back(diagnosis_at(day_one));
    changes.events.push_back({7, day_one, "ticket", "a", "{}"});
    REQUIRE(told.store.keep(changes).has_value());
    for (int day = 0; day < 3; ++day) {
        told.append(0, day_one + days(day));
    }
    FeedChanges claim;
    claim.told = told.reader().feed().value()->given;
    claim.tell_again = {"a"};
    REQUIRE(keep(told.store, claim));
    CHECK(kinds(told.facts()) == "rewind site ticket probe probe");
    CHECK(told.hours().empty());
    CHECK(told.reader().retells().value());
    CHECK(told.reader().feed().value()->sites == std::vector<std::string>{"a"});

    FeedChanges more;
    more.retell = 2;  // the evidence of both probes
    REQUIRE(keep(told.store, more));
    CHECK(kinds(told.facts()) == "rewind site ticket probe probe diagnosis");
    more.retell = 1;
    int rounds = 0;
    std::vector<Timestamp> starts;
    while (told.reader().retells().value()) {
        REQUIRE(++rounds < 20);
        REQUIRE(keep(told.store, more));
    }
    for (auto const& hour : told.hours()) {
        if (hour.probe == "a-1") {
            starts.push_back(hour.start);
        }
    }
    CHECK(std::is_sorted(starts.rbegin(), starts.rend()));               // the newest first
    CHECK(starts.front() == day_one + days(2) - std::chrono::hours{1});  // the open hour is not over
    CHECK(starts.back() == day_one);
    CHECK(starts.size() == 48);
}

TEST_CASE("numbers go on behind those that a hub knows, and never come twice", "[store][outbox]") {
    Told told;
    auto const daemon = told.reader().feed().value()->daemon;
    CHECK(daemon.size() == 32);
    FeedChanges behind;
    behind.go_on_behind = FeedPosition{500, 40};
    REQUIRE(keep(told.store, behind));
    Changes changes;
    changes.tickets.push_back(full_ticket(1));
    REQUIRE(told.store.keep(changes).has_value());
    CHECK(told.facts()[0].seq == 501);
    FeedChanges done;
    done.told = FeedPosition{502, 40};
    REQUIRE(keep(told.store, done));
    CHECK(told.facts().empty());
    REQUIRE(told.store.keep(changes).has_value());
    CHECK(told.facts()[0].seq == 503);

    SECTION("a hub that is left and taken again is told by the same daemon") {
        FeedChanges end;
        end.feeding = false;
        REQUIRE(keep(told.store, end));
        CHECK(told.facts().empty());
        REQUIRE(told.store.keep(changes).has_value());
        CHECK(told.facts().empty());
        REQUIRE(keep(told.store, begun()));
        CHECK(told.reader().feed().value()->daemon == daemon);
        CHECK(told.reader().feed().value()->sites.empty());
    }
}

TEST_CASE("a site that another daemon has waits no more", "[store][outbox]") {
    Told told;
    FeedChanges claim;
    claim.tell_again = {"a", "b"};
    REQUIRE(keep(told.store, claim));
    FeedChanges lost;
    lost.lost_sites = {"a"};
    REQUIRE(keep(told.store, lost));
    auto const facts = told.facts();
    CHECK(std::all_of(facts.begin(), facts.end(), [](auto const& f) { return f.fact.site == "b"; }));
    CHECK(told.reader().feed().value()->sites == std::vector<std::string>{"b"});
}

TEST_CASE("the outcome of a step stays, and a second one does not change it", "[store][outbox]") {
    Told told;
    FeedChanges first_outcome;
    first_outcome.outcomes.push_back({"a", "step-1", day_one, 200, "application/json", "{\"x\":1}"});
    REQUIRE(keep(told.store, first_outcome));
    FeedChanges second;
    second.outcomes.push_back({"a", "step-1", day_one, 409, "application/problem+json", "{}"});
    REQUIRE(keep(told.store, second));
    CHECK(told.reader().step_outcome("a", "step-1").value()->status == 200);
    CHECK_FALSE(told.reader().step_outcome("b", "step-1").value().has_value());
    CHECK(kinds(told.facts()) == "outcome");

    SECTION("an answer to a step is not forgotten before its outcome is kept") {
        Changes answered;
        answered.answers.push_back({"hub:ada", "/v1/x", "step-1", "h", 200, "{}", day_one});
        answered.answers.push_back({"hub:ada", "/v1/x", "step-2", "h", 200, "{}", day_one});
        answered.answers.push_back({"ada", "/v1/x", "step-3", "h", 200, "{}", day_one});
        REQUIRE(told.store.keep(answered).has_value());
        Changes later;
        later.answers.push_back({"ada", "/v1/x", "step-4", "h", 200, "{}", day_one + days(8)});
        REQUIRE(told.store.keep(later).has_value());
        CHECK_FALSE(told.reader().answer("hub:ada", "/v1/x", "step-1").value().has_value());
        CHECK(told.reader().answer("hub:ada", "/v1/x", "step-2").value().has_value());
        CHECK_FALSE(told.reader().answer("ada", "/v1/x", "step-3").value().has_value());
    }
}

TEST_CASE("a damaged store that is set aside stays the same daemon with the same steps taken",
          "[store][outbox]") {
    Folder folder;
    std::string daemon;
    {
        auto store = Store::open(folder / "s.db").value();
        static_cast<void>(store.enrol(fleet, day_one).value());
        FeedChanges feed = begun();
        feed.tell_again = {"a"};
        feed.outcomes.push_back({"a", "step-1", day_one, 200, "application/json", "{}"});
        feed.trying = FeedPosition{9, 9};
        REQUIRE(keep(store, feed));
        daemon = Reader::open(folder / "s.db").value().feed().value()->daemon;
    }
    Store::Options options;
    options.set_aside_damaged = true;
    options.damaged = "for the test";
    auto store = Store::open(folder / "s.db", options).value();
    REQUIRE(store.set_aside().has_value());
    REQUIRE(keep(store, begun()));
    auto reader = Reader::open(folder / "s.db").value();
    auto const feed = reader.feed().value();
    REQUIRE(feed.has_value());
    CHECK(feed->daemon == daemon);
    CHECK(feed->given == FeedPosition{9, 9});
    CHECK(feed->sites.empty());  // so that everything is told again
    CHECK(reader.step_outcome("a", "step-1").value().has_value());
}

// A damaged store makes room for a new one, takes nothing down with it and stays as it is.
#include "store/set_aside.h"

#include <fstream>
#include <sstream>

#include "store/sqlite.h"
#include "store/support.h"

using namespace probekeeper;
using namespace probekeeper::store;
using namespace probekeeper::store::test;

namespace {

Store::Options may_set_aside() {
    Store::Options options;
    options.set_aside_damaged = true;
    return options;
}

std::string content_of(std::filesystem::path const& path) {
    std::ifstream file{path, std::ios::binary};
    std::ostringstream text;
    text << file.rdbuf();
    return text.str();
}

void fill(std::filesystem::path const& path) {
    auto store = Store::open(path).value();
    auto const keys = store.enrol(fleet, day_one).value();
    std::vector<ProbeReading> readings;
    for (int i = 0; i < 5000; ++i) {
        readings.push_back({keys[0], reading_at(day_one + seconds(i), i)});
    }
    Changes changes;
    changes.tickets = {full_ticket(1), full_ticket(2)};
    changes.records = {full_record(7, day_one)};
    changes.checkpoints = {{"a", day_one, "v1", std::vector<std::byte>(3000)}};
    changes.answers = {{"alice", "/v1/x", "k1", "hash", 201, "{}", day_one}};
    REQUIRE(store.append(readings).has_value());
    REQUIRE(store.keep(changes).has_value());
    REQUIRE(store.number_sites({"a", "b"}).has_value());
    REQUIRE(store.compact().has_value());
}

// Overwrites the middle of the first page of a table or index.
void damage(std::filesystem::path const& path, std::string const& what) {
    std::int64_t page = 0;
    {
        Database db{path, Access::create, Millis{0}};
        Query query{db, "SELECT rootpage FROM sqlite_schema WHERE name = ?", std::string_view{what}};
        REQUIRE(query.row());
        page = query.integer();
    }
    std::fstream file{path, std::ios::in | std::ios::out | std::ios::binary};
    file.seekp((page - 1) * 4096);
    file.write(std::string(4096, '\x5a').data(), 4096);
}

void leave_log_behind(std::filesystem::path const& path) {  // as a kill would, so that the next start looks
    std::ofstream{path.string() + "-wal"} << "left behind";
}

std::size_t readings_in(Reader& reader) {
    return reader.readings("a-1", day_one, day_one + days(1), first(10'000)).value().items.size();
}

bool contains(std::vector<std::string> const& list, std::string const& one) {
    return std::find(list.begin(), list.end(), one) != list.end();
}

}  // namespace

TEST_CASE("a store with a damaged table is set aside as it is, and all else goes over into a new one",
          "[store][aside]") {
    Folder const folder;
    fill(folder / "s.db");
    damage(folder / "s.db", "answers");
    leave_log_behind(folder / "s.db");
    auto const before = content_of(folder / "s.db");
    CHECK(Store::open(folder / "s.db").error().fault == Fault::corrupt);  // who does not ask for it is refused
    leave_log_behind(folder / "s.db");
    auto store = Store::open(folder / "s.db", may_set_aside()).value();
    REQUIRE(store.set_aside());
    CHECK(content_of(store.set_aside()->where) == before);
    CHECK_THAT(store.set_aside()->why, Catch::Contains("answers"));
    CHECK(store.set_aside()->left == std::vector<std::string>{"answers"});
    CHECK(set_aside_of(folder / "s.db") == std::vector{store.set_aside()->where});
    auto reader = Reader::open(folder / "s.db").value();
    CHECK(readings_in(reader) == 5000);
    CHECK(reader.ticket("a-2").value()->history.size() == 2);
    CHECK(reader.service_record(7).value()->record.note == "=1+1");
    CHECK(reader.checkpoint("a", "v1").value()->state.size() == 3000);
    CHECK(store.enrol(fleet, day_one).value()[0] == ProbeKey{1});
    CHECK(store.newest() == day_one + seconds(4999));
    CHECK(store.reserve_record_number() == 8);
    CHECK(store.number_sites({"b"}).value()[0] == 2);
}

TEST_CASE("what refers to a damaged table stays behind with it", "[store][aside]") {
    Folder const folder;
    fill(folder / "s.db");
    damage(folder / "s.db", "tickets");
    leave_log_behind(folder / "s.db");
    auto const store = Store::open(folder / "s.db", may_set_aside()).value();
    CHECK(contains(store.set_aside()->left, "tickets"));
    CHECK(contains(store.set_aside()->left, "ticket_history"));
    CHECK(contains(store.set_aside()->carried, "service_records"));
    auto reader = Reader::open(folder / "s.db").value();
    CHECK_FALSE(reader.ticket("a-1").value());
    CHECK(reader.service_record(7).value());
}

TEST_CASE("a block of readings that cannot be read stays behind alone", "[store][aside]") {
    Folder const folder;
    fill(folder / "s.db");
    {
        Database db{folder / "s.db", Access::create, Millis{0}};
        db.run("UPDATE blocks SET data = randomblob(length(data)) WHERE block_key = (SELECT min(block_key) FROM blocks)");
    }
    auto options = may_set_aside();
    options.damaged = "a block could not be read";
    auto const store = Store::open(folder / "s.db", options).value();
    CHECK(store.set_aside()->left == std::vector<std::string>{"1 of blocks"});
    CHECK(store.set_aside()->why == options.damaged);
    auto reader = Reader::open(folder / "s.db").value();
    CHECK(readings_in(reader) > 1000);
    CHECK(readings_in(reader) < 5000);
}

TEST_CASE("of a file that is no database any more nothing goes over, and it is kept to the byte", "[store][aside]") {
    Folder const folder;
    fill(folder / "s.db");
    std::ofstream{folder / "s.db"} << std::string(20'000, 'x');
    auto store = Store::open(folder / "s.db", may_set_aside()).value();
    CHECK(store.set_aside()->carried.empty());
    CHECK(content_of(store.set_aside()->where) == std::string(20'000, 'x'));
    CHECK_FALSE(store.has_readings());
    CHECK(store.enrol(fleet, day_one).has_value());
}

TEST_CASE("a file that never was a store, another program's and one of a newer version are left where they are",
          "[store][aside]") {
    Folder const folder;
    std::ofstream{folder / "text.db"} << std::string(5000, 'x');
    CHECK(Store::open(folder / "text.db", may_set_aside()).error().fault == Fault::corrupt);
    CHECK(content_of(folder / "text.db") == std::string(5000, 'x'));
    fill(folder / "s.db");
    {
        Database db{folder / "s.db", Access::create, Millis{0}};
        db.run("PRAGMA user_version = 1000");
    }
    CHECK(Store::open(folder / "s.db", may_set_aside()).error().fault == Fault::newer);
    {
        Database db{folder / "s.db", Access::create, Millis{0}};
        db.run("PRAGMA user_version = 0");
    }
    CHECK(Store::open(folder / "s.db", may_set_aside()).error().fault == Fault::foreign);
    CHECK(set_aside_of(folder / "s.db").empty());
}

TEST_CASE("one damaged store after the other is not set aside without end", "[store][aside]") {
    Folder const folder;
    for (std::size_t n = 0;; ++n) {
        fill(folder / "s.db");
        auto options = may_set_aside();
        options.damaged = "again";
        auto const opened = Store::open(folder / "s.db", options);
        CHECK(set_aside_of(folder / "s.db").size() == std::min(n + 1, most_set_aside));
        if (opened.has_error()) {
            CHECK(n == most_set_aside);
            CHECK_THAT(opened.error().message, Catch::Contains("the disk or the memory is failing"));
            break;
        }
        REQUIRE(n < most_set_aside);
        std::filesystem::remove(folder / "s.db");
    }
}

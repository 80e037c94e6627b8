#include <sys/wait.h>
#include <unistd.h>

#include <fstream>
#include <sstream>

#include "store/schema.h"
#include "store/sqlite.h"
#include "store/support.h"

using namespace probekeeper;
using namespace probekeeper::store;
using namespace probekeeper::store::test;

namespace {

std::string content_of(std::filesystem::path const& path) {
    std::ifstream file{path};
    std::ostringstream text;
    text << file.rdbuf();
    return text.str();
}

// A file made by running `sql`, as an older or a stranger's program would have left it.
void make_file(std::filesystem::path const& path, std::string const& sql) {
    Database db{path, Access::create, Millis{0}};
    db.run(sql);
}

std::int64_t count(std::filesystem::path const& path, std::string const& sql) {
    Database db{path, Access::read, Millis{0}};
    return db.integer_of(sql);
}

std::filesystem::path stored_file(std::size_t layout) {
    return std::filesystem::path{PROBEKEEPER_SOURCE_DIR} / fmt::format("tests/store/layout_{}.sql", layout);
}

// Every table, index and trigger, and every column of a table, a line each.
std::vector<std::string> structure_of(std::filesystem::path const& path) {
    Database db{path, Access::read, Millis{0}};
    Query query{db,
                "SELECT s.type || ' ' || s.name || ' ' || coalesce(c.name || ' ' || c.type || ' ' || c.pk, "
                "'') AS line "
                "FROM sqlite_schema AS s LEFT JOIN pragma_table_info(s.name) AS c ORDER BY line"};
    std::vector<std::string> lines;
    while (query.row()) {
        lines.push_back(query.text());
    }
    return lines;
}

void check_readings(Reader& reader, std::size_t layout) {
    auto const readings = reader.readings("a-1", day_one, day_one + days(1), first(1000)).value().items;
    REQUIRE(readings.size() ==
            (layout < 4 ? 4U : 130U));  // the older files hold a few rows, the newer blocks
    CHECK(readings[1].do_mg_l == 7.25);
    CHECK(readings[1].temperature_c == 14.5);
    CHECK_FALSE(is_read(readings[1].salinity_psu));
    CHECK(readings[1].has(mark_aeration));
    auto const steps = reader.steps("a-1", day_one, day_one + days(1), seconds(60), first(100)).value().items;
    REQUIRE(steps.size() == (layout < 4 ? 4U : 22U));
    CHECK(steps[0].of(Quantity::do_mg_l).min == 7.0);
    if (layout >= 4) {
        auto const salty = reader.readings("a-2", day_one, day_one + days(1), first(1000)).value().items;
        REQUIRE(salty.size() == 120);
        CHECK(salty[7].salinity_psu == 31.0);
        CHECK(salty[7].airflow == 120.0);
        CHECK(readings[129].do_mg_l == 8.25);
    }
}

void check_people(Reader& reader, std::size_t layout) {
    auto const ticket = *reader.ticket("a-17").value();
    auto const expected = full_ticket(17);
    CHECK(ticket.meanwhile == expected.meanwhile);
    REQUIRE(ticket.reasons.size() == 2);
    CHECK(ticket.reasons[0].finding.high == 101.3);
    CHECK(ticket.history.size() == 2);
    CHECK(ticket.parts.size() == 2);
    CHECK(ticket.planned_for == (layout < 2 ? std::nullopt : expected.planned_for));
    CHECK(reader.service_record(1).value()->record.note == "=1+1");
    if (layout >= 4) {
        CHECK(reader.service_record(2).value()->void_why == "wrong probe");
    }
    CHECK(reader.answer("alice", "/v1/x", "k1").value()->status == 201);
}

void check_findings(Reader& reader) {
    CHECK(reader.response_tests("a-1", day_one, first(10)).value().items.size() == 1);
    CHECK(reader.newest_diagnosis("a-1").value()->document == "{\"probe\":\"a-1\"}");
    CHECK(reader.checkpoint("a", "v1").value()->state.size() == 3);
    CHECK(reader.downtimes(day_one - days(1)).value().size() == 1);
}

}  // namespace

TEST_CASE("there is a stored file of every layout but today's, which may have one", "[store][migration]") {
    for (std::size_t layout = 1; layout < layouts().size(); ++layout) {
        CHECK(std::filesystem::exists(stored_file(layout)));
    }
}

TEST_CASE("a stored file of every layout opens today with everything in it", "[store][migration]") {
    auto const layout = static_cast<std::size_t>(GENERATE(range(1, static_cast<int>(layouts().size()) + 1)));
    if (!std::filesystem::exists(stored_file(layout))) {
        return;  // today's, which the next layout will need
    }
    CAPTURE(layout);
    Folder const folder;
    make_file(folder / "s.db", content_of(stored_file(layout)));
    REQUIRE(static_cast<std::size_t>(count(folder / "s.db", "PRAGMA user_version")) == layout);
    auto opened = Store::open(folder / "s.db");
    REQUIRE(opened.has_value());
    CHECK(static_cast<std::size_t>(count(folder / "s.db", "PRAGMA user_version")) == layouts().size());
    CHECK(opened.value().newest() == day_one + (layout < 4 ? seconds(180) : seconds(1290)));
    CHECK(opened.value().reserve_record_number() == (layout < 4 ? 2 : 3));

    // Not a column of an older file differs from one that this program makes itself.
    static_cast<void>(Store::open(folder / "new.db").value());
    CHECK(structure_of(folder / "s.db") == structure_of(folder / "new.db"));

    auto reader = Reader::open(folder / "s.db").value();
    auto const probes = reader.probes().value();
    REQUIRE(probes.size() == 3);
    CHECK(probes[2].removed_at == day_one + days(1));
    check_readings(reader, layout);
    check_people(reader, layout);
    check_findings(reader);
    if (layout >= 3) {  // numbers that a SCADA system knows stay whose they are
        auto const numbers = opened.value().number_sites({"a", "b"}).value();
        CHECK(numbers == (layout == 3 ? std::vector<std::int64_t>{2, 1} : std::vector<std::int64_t>{1, 2}));
    }
    if (layout >= 2 && layout < 4) {
        CHECK(count(folder / "s.db", "SELECT count(*) FROM out_of_use") == 2);
    }
    if (layout >= 3) {
        CHECK(count(folder / "s.db", "SELECT count(*) FROM notices WHERE done_at_ms IS NULL") == 1);
    }
    if (layout >= 5) {
        CHECK(reader.last_event().value() == 7);
        CHECK(count(folder / "s.db", "SELECT count(*) FROM changes") == 1);
    }
    CHECK_FALSE(reader.feed().value().has_value());  // no hub was ever told of it
}

TEST_CASE("an upgrade that is cut at any point goes on at the next start", "[store][migration]") {
    Folder const folder;
    make_file(folder / "s.db", content_of(stored_file(1)));
    {
        Database db{folder / "s.db", Access::create, Millis{0}};
        auto const steps =
            static_cast<std::size_t>(GENERATE(range(1, static_cast<int>(layouts().size()) + 1)));
        migrate(db, layouts().first(steps));  // and then the power went
    }
    REQUIRE(Store::open(folder / "s.db").has_value());
    auto reader = Reader::open(folder / "s.db").value();
    check_readings(reader, 1);
    check_people(reader, 1);
}

TEST_CASE("a layout step and its number commit together, or neither does", "[store][migration]") {
    Folder const folder;
    Database db{folder / "s.db", Access::create, Millis{0}};
    std::array<MigrationStep, 3> const steps{
        "CREATE TABLE one (x INTEGER) STRICT", "ALTER TABLE one ADD COLUMN y INTEGER",
        "CREATE TABLE two (x INTEGER) STRICT; INSERT INTO nowhere VALUES (1)"};
    migrate(db, std::span{steps}.first(1));
    CHECK(db.integer_of("PRAGMA user_version") == 1);
    CHECK_THROWS_AS(migrate(db, steps), Failed);
    CHECK(db.integer_of("PRAGMA user_version") == 2);
    CHECK(db.integer_of("SELECT count(*) FROM pragma_table_info('one')") == 2);
    CHECK(db.integer_of("SELECT count(*) FROM sqlite_schema WHERE name = 'two'") == 0);
    auto mended = steps;
    mended[2] = "CREATE TABLE two (x INTEGER) STRICT";
    migrate(db, mended);
    CHECK(db.integer_of("PRAGMA user_version") == 3);
}

TEST_CASE("a file of a newer program is refused and left as it is", "[store][migration]") {
    Folder const folder;
    static_cast<void>(Store::open(folder / "s.db").value());
    make_file(folder / "s.db", "PRAGMA user_version = 999");
    auto const refused = Store::open(folder / "s.db");
    REQUIRE(refused.has_error());
    CHECK(refused.error().fault == Fault::newer);
    CHECK_THAT(refused.error().message, Catch::Contains("layout 999") && Catch::Contains("newer version"));
    CHECK(Reader::open(folder / "s.db").error().fault == Fault::newer);
    CHECK(count(folder / "s.db", "PRAGMA user_version") == 999);
}

// Layout 1 kept minutes of all readings and cut expiry through a minute: here through the one of 00:02.
TEST_CASE("rows of an older store are moved once, without the minutes that would count twice",
          "[store][migration]") {
    Folder const folder;
    make_file(folder / "s.db", content_of(stored_file(1)));
    make_file(folder / "s.db",
              "DELETE FROM readings WHERE time_ms < 1772323320000;"
              "UPDATE minutes SET count = 3, do_mg_l_count = 3 WHERE start_ms = 1772323320000;"
              "INSERT INTO readings_expired VALUES (1, 1772323320000)");
    for (int opening = 0; opening < 2; ++opening) {
        auto const store = Store::open(folder / "s.db").value();
        auto reader = Reader::open(folder / "s.db").value();
        auto const steps =
            reader.steps("a-1", day_one, day_one + days(1), seconds(60), first(10)).value().items;
        REQUIRE(steps.size() == 4);
        CHECK(steps[0].of(Quantity::do_mg_l).mean == 7.0);
        CHECK(steps[2].count == 3);  // of the expired ones too, and none twice
        CHECK(steps[3].count == 1);
        CHECK(reader.readings("a-1", day_one, day_one + days(1), first(10)).value().items.size() == 1);
    }
    CHECK(count(folder / "s.db", "SELECT count(*) FROM sqlite_schema WHERE name LIKE 'old_%'") == 0);
}

TEST_CASE("a reader refuses what is not there, not yet up to date, or no store", "[store]") {
    Folder const folder;
    CHECK(Reader::open(folder / "s.db").error().fault == Fault::io);
    CHECK_FALSE(std::filesystem::exists(folder / "s.db"));
    make_file(folder / "empty.db", "PRAGMA application_id = 7");
    CHECK(Reader::open(folder / "empty.db").error().fault == Fault::older);
    make_file(folder / "other.db", "CREATE TABLE songs (title TEXT)");
    CHECK(Store::open(folder / "other.db").error().fault == Fault::foreign);
    std::ofstream{folder / "text.db"} << std::string(5000, 'x');
    CHECK(Store::open(folder / "text.db").error().fault == Fault::corrupt);
    auto const nowhere = Store::open(folder / "no/such/folder.db");
    REQUIRE(nowhere.has_error());
    CHECK(nowhere.error().fault == Fault::io);
    CHECK_THAT(nowhere.error().message, Catch::Contains("no/such/folder.db"));
}

TEST_CASE("a second writer is refused with the first one's process number, until the first has ended",
          "[store][lock]") {
    Folder const folder;
    std::array<int, 2> ready{};
    std::array<int, 2> finish{};
    REQUIRE(pipe(ready.data()) == 0);
    REQUIRE(pipe(finish.data()) == 0);
    auto const child = fork();
    if (child == 0) {
        char byte = 0;
        auto const store = Store::open(folder / "s.db");
        bool const told = write(ready[1], "r", 1) == 1 && read(finish[0], &byte, 1) == 1;
        _exit(store.has_value() && told ? 0 : 1);
    }
    char byte = 0;
    REQUIRE(read(ready[0], &byte, 1) == 1);
    auto const refused = Store::open(folder / "s.db");
    CHECK(write(finish[1], "f", 1) == 1);
    int status = -1;
    REQUIRE(waitpid(child, &status, 0) == child);
    CHECK(status == 0);
    REQUIRE(refused.has_error());
    CHECK(refused.error().fault == Fault::in_use);
    CHECK_THAT(refused.error().message, Catch::Contains(fmt::format("process {}", child)));
    CHECK(Store::open(folder / "s.db").has_value());  // although the child never closed it
    for (int const end : {ready[0], ready[1], finish[0], finish[1]}) {
        close(end);
    }
}

TEST_CASE("what was committed is there after a kill in mid-write, and the file is whole", "[store][kill]") {
    Folder const folder;
    std::array<int, 2> told{};
    REQUIRE(pipe(told.data()) == 0);
    auto const child = fork();
    if (child == 0) {
        auto store = Store::open(folder / "s.db").value();
        auto const keys = store.enrol(fleet, day_one).value();
        for (int group = 0; group < 100; ++group) {
            std::vector<ProbeReading> batch;
            for (int i = 0; i < 50; ++i) {
                batch.push_back({keys[0], reading_at(day_one + seconds(50 * group + i), i)});
            }
            Changes changes;
            changes.tickets = {full_ticket(group + 1)};
            bool const dying = group == 37;
            static_cast<void>(store.together(Outlives::process, [&]() -> Result<void> {
                auto const appended = store.append(batch);
                auto const kept = store.keep(changes);
                if (dying) {
                    _exit(appended.has_value() && kept.has_value() ? 0 : 1);  // written, not committed
                }
                return {};
            }));
            int const done = group + 1;
            if (write(told[1], &done, sizeof done) != sizeof done) {
                _exit(2);
            }
        }
        _exit(3);
    }
    close(told[1]);
    int done = 0;
    while (read(told[0], &done, sizeof done) == sizeof done) {
    }
    close(told[0]);
    int status = -1;
    REQUIRE(waitpid(child, &status, 0) == child);
    REQUIRE(status == 0);
    REQUIRE(done == 37);

    auto const store = Store::open(folder / "s.db").value();
    CHECK(store.ended_uncleanly());
    CHECK(store.newest() == day_one + seconds(50 * 37 - 1));
    CHECK(store.highest_ticket_number("a") == 37);
    CHECK(count(folder / "s.db", "SELECT sum(count) FROM blocks") == 50 * 37);
    CHECK(count(folder / "s.db",
                "SELECT count(*) FROM pragma_integrity_check WHERE integrity_check = 'ok'") == 1);
    auto reader = Reader::open(folder / "s.db").value();
    std::int64_t counted = 0;
    for (auto const& s :
         reader.steps("a-1", day_one, day_one + days(1), seconds(60), first(1000)).value().items) {
        counted += s.count;
    }
    CHECK(counted == 50 * 37);
}

TEST_CASE("damage in a table of people's is found after an unclean end", "[store][kill]") {
    Folder const folder;
    auto const child = fork();
    if (child == 0) {
        auto store = Store::open(folder / "s.db").value();
        bool good = store.enrol(fleet, day_one).has_value();
        Changes changes;
        for (int i = 1; i <= 200; ++i) {
            changes.tickets.push_back(full_ticket(i));
        }
        good = good && store.keep(changes).has_value();
        _exit(good ? 0 : 1);
    }
    int status = -1;
    REQUIRE(waitpid(child, &status, 0) == child);
    REQUIRE(status == 0);
    std::filesystem::copy_file(folder / "s.db", folder / "whole.db");
    std::filesystem::copy_file(folder / "s.db-wal", folder / "whole.db-wal");
    CHECK(Store::open(folder / "whole.db").has_value());
    {
        Database db{folder / "s.db", Access::create, Millis{0}};
        auto const page = db.integer_of("SELECT rootpage FROM sqlite_schema WHERE name = 'tickets_in_order'");
        db.run("PRAGMA wal_checkpoint(TRUNCATE)");
        std::fstream file{folder / "s.db", std::ios::in | std::ios::out | std::ios::binary};
        file.seekp((page - 1) * 4096 + 3);
        file.write("\x7f\x7f", 2);
    }
    std::ofstream{folder / "s.db-wal"} << "left behind";
    auto const refused = Store::open(folder / "s.db");
    REQUIRE(refused.has_error());
    CHECK(refused.error().fault == Fault::corrupt);
}

TEST_CASE("old readings that come in parts before newer ones are not all written again with each part",
          "[store][readings]") {
    Folder const folder;
    auto store = Store::open(folder / "s.db").value();
    auto const keys = store.enrol(fleet, day_one).value();
    auto const append = [&](Timestamp from, int readings) {
        std::vector<ProbeReading> part;
        for (int i = 0; i < readings; ++i) {
            part.push_back({keys[0], reading_at(from + seconds(i), i)});
        }
        REQUIRE(store.append(part).has_value());
        REQUIRE(store.compact().has_value());
    };
    append(day_one + days(30), 10);
    constexpr int part = 9000;  // some blocks, none of them full
    append(day_one, part);
    auto const in_oldest =
        "SELECT count FROM blocks ORDER BY first_ms LIMIT 1";  // another number if written again
    auto const at_first = count(folder / "s.db", in_oldest);
    for (int i = 1; i < 4; ++i) {
        append(day_one + seconds(i * part), part);
    }
    CHECK(count(folder / "s.db", in_oldest) == at_first);
    CHECK(count(folder / "s.db", "SELECT sum(count) FROM blocks") == 4 * part + 10);
}

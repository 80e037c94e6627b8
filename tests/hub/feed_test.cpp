#include "hub/feed.h"

#include <sqlite3.h>

#include <catch2/catch.hpp>

#include "hub/site.h"

using namespace probekeeper;
using namespace probekeeper::tests;
using store::test::day_one;
using store::test::full_record;
using store::test::full_ticket;
using store::test::reading_at;

namespace {

// A database with the hub's tables; null where there is no PostgreSQL.
struct Hub {
    explicit Hub(std::string const& database) : cluster{Cluster::shared()} {
        if (cluster != nullptr) {
            where = cluster->fresh_database(database);
            connection.emplace(cluster->connect(where));
            hub::migrate(*connection);
        } else {
            WARN("skipped: no PostgreSQL");
        }
    }
    explicit operator bool() const { return cluster != nullptr; }

    std::int64_t count(std::string const& what) {
        return cluster->connect(where).run("SELECT count(*) FROM probekeeper." + what).integer(0, 0);
    }
    std::string text(std::string const& query) {
        auto fresh = cluster->connect(where);
        auto const rows = fresh.run(query);
        return rows.empty() ? "" : std::string{rows.text(0, 0)};
    }
    void run(std::string const& script) { connection->script(script); }
    void reopen() { connection.emplace(cluster->connect(where)); }
    void end_sessions() {
        cluster->connect(where).script(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = current_database() AND "
            "pid <> pg_backend_pid()");
    }
    // As a hub does it.
    void step(std::string const& site, std::string const& id, std::string const& path,
              std::string const& body, std::string const& role = "operate") {
        connection->run(
            "WITH s AS (INSERT INTO probekeeper.steps (site_id, id, who, role, method, path, content_type, "
            "body) "
            "VALUES ($1, $2, 'ada', $3, 'POST', $4, 'application/json', $5) RETURNING site_id, seq, id) "
            "INSERT INTO probekeeper.waiting_steps (site_id, seq, id) SELECT site_id, seq, id FROM s",
            {site, id, role, path, body});
        connection->run("SELECT pg_notify('probekeeper_steps', $1)", {site});
    }
    std::string outcome(std::string const& id) {
        until("an outcome of " + id, [&] { return count("outcomes WHERE id = '" + id + "'") == 1; });
        return text("SELECT status || ' ' || content_type FROM probekeeper.outcomes WHERE id = '" + id + "'");
    }

    Cluster* cluster;
    std::string where;
    std::optional<postgres::Connection> connection;
};

// A store with a year's worth of everything, in small.
void fill(store::Store& store, std::vector<store::ProbeKey> const& keys) {
    store::Changes changes;
    changes.tickets.push_back(full_ticket(1));
    changes.tickets.push_back(full_ticket(2));
    changes.records.push_back(full_record(1, day_one));
    changes.out_of_use.push_back({1, "a", "a-2", day_one, {}, "drained", "van", day_one, {}});
    for (int day = 0; day < 3; ++day) {
        store::ProbeDiagnosis d;
        d.probe = "a-1";
        d.at = day_one + days(day);
        d.condition = diagnosis::Condition::good;
        d.document = "{\"probe\":\"a-1\",\"day\":" + std::to_string(day) + "}";
        changes.diagnoses.push_back(d);
        store::ProbeTest test;
        test.probe = "a-1";
        test.test.time = day_one + days(day);
        test.test.t90_s = 40.0 + day;
        changes.tests.push_back(test);
    }
    REQUIRE(store.keep(changes).has_value());
    std::vector<store::ProbeReading> readings;
    for (int i = 0; i < 360; ++i) {
        auto r = reading_at(day_one + seconds(30.0 * i), 7.0 + 0.01 * i);
        r.temperature_c = 14.25;
        readings.push_back({keys[0], r});
    }
    REQUIRE(store.append(readings).has_value());
}

void forget_outcomes(std::filesystem::path const& file) {
    sqlite3* db = nullptr;
    REQUIRE(sqlite3_open(file.c_str(), &db) == SQLITE_OK);
    REQUIRE(sqlite3_exec(db, "DELETE FROM step_outcomes", nullptr, nullptr, nullptr) == SQLITE_OK);
    sqlite3_close(db);
}

// What the hub has is what the store has.
void check_same(Hub& hub, Site const& site) {
    auto reader = site.reader();
    store::PageRequest const all{10'000, std::nullopt};
    auto const tickets = reader.tickets({}, all).value().items;
    CHECK(hub.count("tickets") == static_cast<std::int64_t>(tickets.size()));
    for (auto const& ticket : tickets) {
        CHECK(
            hub.text(fmt::format("SELECT state FROM probekeeper.tickets WHERE site_id = '{}' AND number = {}",
                                 ticket.site, ticket.number)) == service::to_word(ticket.state));
    }
    CHECK(hub.count("records") == static_cast<std::int64_t>(reader.all_records().value().size()));
    CHECK(hub.count("out_of_use") == static_cast<std::int64_t>(reader.out_of_use().value().size()));
    for (auto const& probe : reader.probes().value()) {
        CAPTURE(probe.id);
        auto const of = fmt::format(" WHERE probe_id = '{}'", probe.id);
        auto const diagnoses =
            reader.diagnoses(probe.id, Timestamp::min(), Timestamp::max(), all).value().items;
        CHECK(hub.count("diagnoses" + of) == static_cast<std::int64_t>(diagnoses.size()));
        auto const tests = reader.response_tests(probe.id, Timestamp::min(), all).value().items;
        CHECK(hub.count("response_tests" + of) == static_cast<std::int64_t>(tests.size()));
        auto const hours =
            reader.steps(probe.id, day_one, day_one + days(400), Millis{3'600'000}, all).value().items;
        CHECK(hub.count("summaries" + of) == static_cast<std::int64_t>(hours.size()));
        auto const newest = reader.newest_diagnosis(probe.id).value();
        CHECK(hub.text("SELECT coalesce(diagnosis, '') FROM probekeeper.probes" + of) ==
              (newest ? newest->document : ""));
    }
    CHECK(hub.count("sites WHERE document IS NOT NULL AND configuration IS NOT NULL") == 2);
}

}  // namespace

TEST_CASE("a hub is told everything that a store holds from before", "[hub][feed]") {
    Hub hub{"feed_first"};
    if (!hub) {
        return;
    }
    Site site{hub.where};
    site.prepare(fill);
    site.start();
    site.told();
    check_same(hub, site);
    CHECK(hub.text("SELECT state || ' ' || urgency || ' ' || probe_id || ' ' || reasons::text FROM "
                   "probekeeper.tickets WHERE number = 1") == "planned this_week a-1 {slow_response,stuck}");
    CHECK(hub.text("SELECT serial || ' ' || (document ->> 'note') FROM probekeeper.records") ==
          "GX-0417 =1+1");
    CHECK(hub.text("SELECT probe_id FROM probekeeper.out_of_use") == "a-2");
    CHECK(hub.count("summaries") == 3);
    CHECK(hub.count("diagnoses") > 3);
    // Minutes as the site itself answers them.
    CHECK(hub.text("SELECT hour || '' FROM probekeeper.summaries ORDER BY hour LIMIT 1") ==
          "2026-03-01 00:00:00+00");
    CHECK(hub.text("SELECT array_length(minutes, 1) || ' ' || minutes[1] || ' ' || minutes[60] || ' ' || "
                   "counts[1] FROM "
                   "probekeeper.summaries WHERE hour = '2026-03-01T01:00:00Z'") == "60 0 59 2");
    CHECK(hub.text(
              "SELECT do_mg_l_min[1] || ' ' || do_mg_l_sum[1] || ' ' || do_mg_l_max[1] || ' ' || "
              "temperature_c_sum[1] || ' ' || coalesce(airflow_sum::text, 'none') FROM probekeeper.summaries "
              "WHERE hour = '2026-03-01T01:00:00Z'") == "8.2 16.41 8.21 28.5 none");
    // Rounds are made of the site as it is written here.
    auto const written = hub.text("SELECT configuration FROM probekeeper.sites WHERE site_id = 'a'");
    CHECK(written.find("key at the gate") != std::string::npos);
    CHECK(written.find("a-2") != std::string::npos);
    CHECK(written.find("b-1") == std::string::npos);
    until("it says so", [&] { return site.health().state == "connected"; });
    CHECK(site.health().last_contact.has_value());
}

TEST_CASE("what changes is told, and what changed while the database was away afterwards", "[hub][feed]") {
    Hub hub{"feed_away"};
    if (!hub) {
        return;
    }
    Site site{hub.where};
    site.prepare(fill);
    site.start();
    site.told();
    auto const ticket = [&](std::int64_t number, service::State state) {
        store::Changes changes;
        auto t = site.reader().ticket(fmt::format("a-{}", number)).value().value_or(full_ticket(number));
        t.state = state;
        t.history.push_back({day_one + Millis{6}, state, "x", ""});
        changes.tickets.push_back(t);
        site.keep(std::move(changes));
    };
    ticket(1, service::State::serviced);
    until("the ticket is serviced there", [&] { return hub.count("tickets WHERE state = 'serviced'") == 1; });

    auto other = hub.cluster->connect(hub.cluster->database("postgres"));
    other.script("ALTER DATABASE feed_away ALLOW_CONNECTIONS false");
    other.script("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = 'feed_away'");
    until("it notices",
          [&] { return site.health().state != "connected" && site.health().state != "catching_up"; });
    ticket(2, service::State::serviced);
    ticket(3, service::State::planned);
    store::Changes rewound;
    rewound.rewinds.push_back({"a", day_one + days(1)});
    store::ProbeTest again;
    again.probe = "a-1";
    again.test.time = day_one + days(2);
    again.test.t90_s = 99.0;
    rewound.tests.push_back(again);
    rewound.events.push_back({7, day_one, "ticket", "a", "{\"id\":\"a-3\"}"});
    site.keep(std::move(rewound));
    CHECK(site.health().waiting > 0);
    CHECK(site.health().oldest.has_value());
    other.script("ALTER DATABASE feed_away ALLOW_CONNECTIONS true");
    site.told();
    hub.reopen();
    CHECK(hub.count("tickets WHERE state = 'serviced'") == 2);
    CHECK(hub.count("response_tests") == 2);
    check_same(hub, site);
    CHECK(hub.text(
              "SELECT (document ->> 't90_s') FROM probekeeper.response_tests ORDER BY time DESC LIMIT 1") ==
          "99.0");
    CHECK(hub.text("SELECT data FROM probekeeper.events WHERE site_event = 7") == "{\"id\":\"a-3\"}");
    CHECK(hub.text("SELECT count(*) || '' FROM probekeeper.feeds") == "1");
}

TEST_CASE("a commit whose answer was lost is neither told again nor left out", "[hub][feed]") {
    Hub hub{"feed_lost"};
    if (!hub) {
        return;
    }
    Site site{hub.where};
    site.prepare(fill);
    site.start();
    site.told();
    site.stop();
    auto const there = site.reader().feed().value().value().told;
    auto const last = hub.text("SELECT seq || '' FROM probekeeper.feeds");
    CHECK(last == std::to_string(there.facts));
    {  // as if the store had never learned of the last commit
        auto store = store::Store::open(site.file()).value();
        store::Changes changes;
        changes.feed.emplace();
        changes.feed->told = store::FeedPosition{there.facts - 1, there.hours};
        changes.feed->trying = there;
        REQUIRE(store.keep(changes).has_value());
    }
    site.start();
    site.told();
    until("it is confirmed", [&] { return site.reader().feed().value()->told.facts >= there.facts; });
    CHECK(site.log().find("hub_told_again") == std::string::npos);
    check_same(hub, site);
}

TEST_CASE("a database that was emptied, or restored from a copy, is told everything again", "[hub][feed]") {
    Hub hub{"feed_emptied"};
    if (!hub) {
        return;
    }
    Site site{hub.where};
    site.prepare(fill);
    site.start();
    site.told();
    auto const empty =
        "TRUNCATE probekeeper.sites, probekeeper.probes, probekeeper.diagnoses, probekeeper.response_tests, "
        "probekeeper.summaries, probekeeper.tickets, probekeeper.records, probekeeper.out_of_use";

    SECTION("all of it, while the daemon runs") {
        hub.run(std::string{empty} + ", probekeeper.feeds");
        hub.end_sessions();
        hub.reopen();
    }
    SECTION("to an older state") {
        site.stop();
        hub.run(empty);
        hub.run("UPDATE probekeeper.feeds SET seq = 3, summary_seq = 1");
        hub.run(
            "INSERT INTO probekeeper.diagnoses (site_id, probe_id, at, condition, document) VALUES "
            "('a', 'a-1', '2026-02-01', 'good', 'taken back since')");
        site.start();
    }
    until("sites are there", [&] { return hub.count("sites WHERE document IS NOT NULL") == 2; });
    site.told();
    check_same(hub, site);
    CHECK(site.log().find("hub_told_again") != std::string::npos);
}

TEST_CASE("a store that was restored from a copy goes on behind what the hub knows", "[hub][feed]") {
    Hub hub{"feed_restored"};
    if (!hub) {
        return;
    }
    Site site{hub.where};
    site.prepare(fill);
    site.start();
    site.told();
    site.stop();
    auto const copy = site.file().parent_path() / "copy.db";
    std::filesystem::copy_file(site.file(), copy);
    auto const before = site.reader().feed().value()->told;
    site.start();
    for (int i = 0; i < 3; ++i) {
        store::Changes changes;
        changes.tickets.push_back(full_ticket(10 + i));
        site.keep(std::move(changes));
    }
    site.told();
    site.stop();
    auto const later = std::stoll(hub.text("SELECT seq || '' FROM probekeeper.feeds"));
    CHECK(later > before.facts);
    std::filesystem::copy_file(copy, site.file(), std::filesystem::copy_options::overwrite_existing);
    site.start();
    until("it is told again", [&] { return site.log().find("hub_told_again") != std::string::npos; });
    until("it is behind", [&] { return site.reader().feed().value()->told.facts > later; });
    site.told();
    CHECK(hub.count("tickets WHERE number < 10") ==
          static_cast<std::int64_t>(site.reader().tickets({}, {100, std::nullopt}).value().items.size()));
}

TEST_CASE("a site belongs to one daemon until it is handed over", "[hub][feed]") {
    Hub hub{"feed_claims"};
    if (!hub) {
        return;
    }
    Site first{hub.where};
    first.prepare(fill);
    first.start();
    first.told();
    std::string const only_a =
        "[[site]]\nid = \"a\"\nkind = \"aquaculture\"\n[[probe]]\nid = \"a-1\"\nsite = \"a\"\n";
    Site second{hub.where, only_a};
    second.prepare([](store::Store& store, auto const&) {
        store::Changes changes;
        changes.tickets.push_back(full_ticket(77));
        REQUIRE(store.keep(changes).has_value());
    });
    second.start();
    until("it is refused",
          [&] { return second.log().find("hub_site_refused sites=a") != std::string::npos; });
    CHECK(hub.count("tickets WHERE number = 77") == 0);
    auto const warnings = second.backend->health().value().warnings;
    CHECK(std::any_of(warnings.begin(), warnings.end(),
                      [](auto const& w) { return w.find("another daemon has a") != std::string::npos; }));

    auto const daemon = second.reader().feed().value()->daemon;
    hub.run("UPDATE probekeeper.sites SET daemon = '" + daemon + "' WHERE site_id = 'a'");
    until("the second one tells", [&] { return hub.count("tickets WHERE number = 77") == 1; });
    until("the first one is refused",
          [&] { return first.log().find("hub_site_refused sites=a") != std::string::npos; });
    CHECK(first.reader().feed().value()->sites == std::vector<std::string>{"b"});
}

TEST_CASE("probes and sites that are not configured any more are marked, and stay", "[hub][feed]") {
    Hub hub{"feed_removed"};
    if (!hub) {
        return;
    }
    Site site{hub.where};
    site.prepare(fill);
    site.start();
    site.told();
    site.reload("[[site]]\nid = \"a\"\nkind = \"aquaculture\"\n[[probe]]\nid = \"a-1\"\nsite = \"a\"\n");
    until("b is gone", [&] { return hub.count("sites WHERE removed_at IS NOT NULL") == 1; });
    until("a-2 is gone", [&] { return hub.count("probes WHERE removed_at IS NOT NULL") == 1; });
    CHECK(hub.text("SELECT site_id FROM probekeeper.sites WHERE removed_at IS NOT NULL") == "b");
    CHECK(hub.text("SELECT probe_id FROM probekeeper.probes WHERE removed_at IS NOT NULL") == "a-2");
    site.reload(two_sites);
    until("all are back", [&] {
        return hub.count("sites WHERE removed_at IS NULL") == 2 &&
               hub.count("probes WHERE removed_at IS NULL") == 3;
    });
}

TEST_CASE("a step that was taken at the hub is done here once, by the rules of the site", "[hub][steps]") {
    Hub hub{"feed_steps"};
    if (!hub) {
        return;
    }
    Site site{hub.where};
    site.prepare(fill);
    site.start();
    site.told();
    hub.step("a", "s1", "/v1/tickets/a-1/visit", R"({"by": "t1", "outcome": "no_access"})");
    CHECK(hub.outcome("s1") == "200 application/json");
    CHECK(hub.count("waiting_steps") == 0);
    until("the ticket tells it", [&] {
        return hub.count("tickets WHERE number = 1 AND document::text LIKE '%no_access%'") == 1 ||
               hub.text(
                   "SELECT jsonb_array_length(document -> 'history') || '' FROM probekeeper.tickets WHERE "
                   "number = "
                   "1") == "3";
    });
    auto const history = [&] { return site.reader().ticket("a-1").value()->history.size(); };
    CHECK(history() == 3);

    SECTION("a hub that forgot what came of it is told, and nothing is done again") {
        site.stop();
        hub.run(
            "DELETE FROM probekeeper.outcomes; INSERT INTO probekeeper.waiting_steps SELECT site_id, seq, id "
            "FROM "
            "probekeeper.steps");
        site.start();
        CHECK(hub.outcome("s1") == "200 application/json");
        CHECK(history() == 3);
    }
    SECTION("killed between the change and the outcome it is not done again") {
        site.stop();
        forget_outcomes(site.file());
        hub.run(
            "DELETE FROM probekeeper.outcomes; INSERT INTO probekeeper.waiting_steps SELECT site_id, seq, id "
            "FROM "
            "probekeeper.steps");
        site.start();
        CHECK(hub.outcome("s1") == "200 application/json");
        CHECK(history() == 3);
    }
    SECTION("what does not fit is answered with what does") {
        hub.step("a", "s2", "/v1/tickets/a-1/close", R"({"by": "t1", "found": "as_diagnosed"})");
        CHECK(hub.outcome("s2") == "200 application/json");
        hub.step("a", "s3", "/v1/tickets/a-1/acknowledge", R"({"by": "t1"})");
        CHECK(hub.outcome("s3") == "409 application/problem+json");
        CHECK(hub.text("SELECT body FROM probekeeper.outcomes WHERE id = 's3'").find("\"steps\":[") !=
              std::string::npos);
        CHECK(history() == 4);
    }
    SECTION("steps reach no further than their site and role") {
        hub.step("b", "s4", "/v1/tickets/a-1/visit", R"({"by": "t1", "outcome": "no_access"})");
        CHECK(hub.outcome("s4") == "403 application/problem+json");
        hub.step("a", "s5", "/v1/tickets/a-1/visit", R"({"by": "t1", "outcome": "no_access"})", "read");
        CHECK(hub.outcome("s5") == "403 application/problem+json");
        hub.step("a", "s6", "/v1/links", R"({"path": "/v1/probes"})");
        CHECK(hub.outcome("s6") == "404 application/problem+json");
        hub.step("a", "s7", "/v1/tickets/a-1/visit", "{");
        CHECK(hub.outcome("s7") == "400 application/problem+json");
        hub.step("a", "s8", "/v1/readings", "time,probe,do_mg_l\n");
        CHECK(hub.outcome("s8") == "404 application/problem+json");
        CHECK(history() == 3);
    }
    SECTION("records come too, and reach the hub as any others") {
        hub.step("a", "s9", "/v1/probes/a-1/service-records", R"({"kind": "membrane_wipe", "by": "t1"})");
        CHECK(hub.outcome("s9") == "201 application/json");
        until("the record is there", [&] { return hub.count("records") == 2; });
        CHECK(site.backend->changes({10, std::nullopt}).value().items.front().who == "hub:ada");
    }
}

TEST_CASE("the rights of a site's login are enough for all of it", "[hub][feed][steps]") {
    Hub hub{"feed_rights"};
    if (!hub) {
        return;
    }
    hub.run(
        "CREATE ROLE probekeeper_site; CREATE ROLE probekeeper_hub; CREATE ROLE weir LOGIN IN ROLE "
        "probekeeper_site");
    hub::migrate(*hub.connection);  // gives the roles their rights
    {
        Site site{hub.cluster->database("feed_rights", "weir")};
        site.prepare(fill);
        site.start();
        site.told();
        check_same(hub, site);
        hub.step("a", "s1", "/v1/probes/a-1/service-records", R"({"kind": "inspection", "by": "t1"})");
        CHECK(hub.outcome("s1") == "201 application/json");
        site.reload("[[site]]\nid = \"a\"\nkind = \"aquaculture\"\n[[probe]]\nid = \"a-1\"\nsite = \"a\"\n");
        until("b is gone", [&] { return hub.count("sites WHERE removed_at IS NOT NULL") == 1; });
        store::Changes rewound;
        rewound.rewinds.push_back({"a", day_one});
        site.keep(std::move(rewound));
        site.told();
        CHECK(hub.count("response_tests WHERE site_id = 'a'") == 0);
        CHECK(site.log().find("hub_refused") == std::string::npos);
    }
    hub.run(
        "DROP OWNED BY weir, probekeeper_site, probekeeper_hub; DROP ROLE weir, probekeeper_site, "
        "probekeeper_hub");
}

TEST_CASE("what the database cannot take is left out, told in the log, and holds up nothing", "[hub][feed]") {
    Hub hub{"feed_poison"};
    if (!hub) {
        return;
    }
    hub.run("ALTER TABLE probekeeper.tickets ADD CHECK (number <> 13)");
    Site site{hub.where};
    site.prepare(fill);
    site.start();
    site.told();
    store::Changes changes;
    for (int number = 10; number < 16; ++number) {
        changes.tickets.push_back(full_ticket(number));
    }
    changes.tickets[1].meanwhile = std::string{"a nul \0 and \\u0000", 16};
    site.keep(std::move(changes));
    site.told();
    CHECK(hub.count("tickets WHERE number >= 10") == 5);
    CHECK(site.log().find("hub_skipped") != std::string::npos);
}

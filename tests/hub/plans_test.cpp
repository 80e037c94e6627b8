// How PostgreSQL goes about what a hub asks: it writes down each plan (auto_explain), and none may walk
// through history.
#include <catch2/catch.hpp>
#include <fstream>
#include <regex>
#include <sstream>

#include "document/diagnosis.h"
#include "document/record.h"
#include "document/ticket.h"
#include "document/write.h"
#include "hub/filled.h"
#include "hub/rounds.h"

using namespace probekeeper;
using namespace probekeeper::tests;

namespace {

constexpr int sites = 160, probes = 4;

// As if all of them had been told of for years.
void fill(HubEstate& estate) {
    for (int s = 1; s <= sites; ++s) {
        auto const site = "site-" + std::to_string(s);
        estate.add_site(site);
        for (int p = 0; p < probes; ++p) {
            estate.add_probe(site, site + "-p" + std::to_string(p));
        }
    }
    auto const ticket = document::write(document::to_json(ticket_of("s", 1, "p", day_one)));
    estate.db.run(
        "INSERT INTO probekeeper.tickets (site_id, number, probe_id, state, urgency, opened_at, updated_at, "
        "reasons, "
        "document) SELECT site, n, probe, state, 'this_week', opened, opened, '{slow_response}', $1::jsonb "
        "|| "
        "jsonb_build_object('id', site || '-' || n, 'number', n, 'site', site, 'probe', probe, 'state', "
        "state) FROM "
        "generate_series(1, 160) s, generate_series(1, 100) n, LATERAL (SELECT 'site-' || s AS site, 'site-' "
        "|| s || "
        "'-p' || n % 4 AS probe, CASE WHEN n > 97 THEN 'open' ELSE 'closed' END AS state, timestamptz "
        "'2020-01-01 00:00+00' + n * interval '3 days' AS opened) x",
        {ticket});
    auto const record =
        document::write(document::to_json(record_of(1, "p", day_one, service::Work::inspection)));
    estate.db.run(
        "INSERT INTO probekeeper.records (site_id, number, probe_id, time, document) SELECT site, n, probe, "
        "time, "
        "$1::jsonb || jsonb_build_object('record', n, 'probe', probe) FROM generate_series(1, 160) s, "
        "generate_series(1, 100) n, LATERAL (SELECT 'site-' || s AS site, 'site-' || s || '-p' || n % 4 AS "
        "probe, "
        "timestamptz '2020-01-01 00:00+00' + n * interval '3 days' AS time) x",
        {record});
    diagnosis::ResponseTest const response;
    estate.db.run(
        "INSERT INTO probekeeper.response_tests (site_id, probe_id, time, source, document) SELECT 'site-' "
        "|| s, "
        "'site-' || s || '-p' || n % 4, timestamptz '2020-01-01 00:00+00' + n * interval '3 hours', "
        "'cleaning', "
        "$1::jsonb FROM generate_series(1, 160) s, generate_series(1, 200) n",
        {document::write(document::to_json(response))});
    diagnosis::Diagnosis const diagnosed;
    estate.db.run(
        "INSERT INTO probekeeper.diagnoses (site_id, probe_id, at, condition, document) SELECT 'site-' || s, "
        "'site-' "
        "|| s || '-p' || n % 4, timestamptz '2026-01-01 00:00+00' + n * interval '3 hours', 'good', $1 FROM "
        "generate_series(1, 160) s, generate_series(1, 200) n",
        {document::write(document::to_json(diagnosed, "p"))});
    estate.db.script(
        "INSERT INTO probekeeper.summaries (site_id, probe_id, hour, minutes, counts, marks) SELECT 'site-' "
        "|| s, "
        "'site-' || s || '-p' || n % 4, timestamptz '2026-01-01 00:00+00' + n * interval '1 hour', "
        "array_fill(1::smallint, ARRAY[60]), array_fill(12, ARRAY[60]), array_fill(0, ARRAY[60]) FROM "
        "generate_series(1, 160) s, generate_series(1, 200) n; "
        "INSERT INTO probekeeper.events (site_id, at, kind, data, site_event, xid) SELECT 'site-' || s, "
        "now(), "
        "'ticket', '{}', n, (n::text)::xid8 FROM generate_series(1, 160) s, generate_series(1, 100) n; "
        "INSERT INTO probekeeper.steps (site_id, id, who, role, method, path, content_type, body) SELECT "
        "'site-' || "
        "s, md5(s || ' ' || n), 'ada', 'operate', 'POST', '/v1/x', 'application/json', '{}' FROM "
        "generate_series(1, "
        "160) s, generate_series(1, 100) n; "
        "INSERT INTO probekeeper.outcomes (site_id, id, at, status, content_type, body) SELECT site_id, id, "
        "now(), "
        "200, 'application/json', '{}' FROM probekeeper.steps");
    estate.db.script("ANALYZE");
}

template <typename T>
void given(api::Answer<T> const& answer) {
    REQUIRE(answer.has_value());
}

std::string log_from(std::filesystem::path const& file, std::uintmax_t at) {
    std::ifstream in{file};
    in.seekg(static_cast<std::streamoff>(at));
    std::ostringstream text;
    text << in.rdbuf();
    return text.str();
}

}  // namespace

TEST_CASE("no question of a hub walks through history", "[hub]") {
    auto* const cluster = Cluster::shared();
    if (cluster == nullptr) {
        WARN("skipped: no PostgreSQL");
        return;
    }
    auto const where = cluster->fresh_database("hub_plans");
    HubEstate estate{*cluster, where};
    fill(estate);
    // A table of a test is so small that to walk through it costs nothing: only where there is no other way
    // does PostgreSQL still do it then.
    estate.db.script("ALTER DATABASE hub_plans SET enable_seqscan = off");
    estate.db.script(
        "ALTER DATABASE hub_plans SET session_preload_libraries = 'auto_explain'; ALTER DATABASE hub_plans "
        "SET "
        "auto_explain.log_min_duration = 0; ALTER DATABASE hub_plans SET auto_explain.log_nested_statements "
        "= on");
    RunningHub hub{where, at_hour(480.0), contractor()};
    auto& backend = *hub.backend;
    given(backend.findings({}, {}));  // the first one reads all that there is, once
    auto const before = std::filesystem::file_size(cluster->log());

    auto const week = zone::week_of(std::chrono::floor<std::chrono::days>(hub.now + days(7.0)));
    // More than five times, after which PostgreSQL may take a plan that suits any value.
    for (int i = 1; i <= 8; ++i) {
        auto const site = "site-" + std::to_string(i), probe = site + "-p1";
        auto const page = backend.tickets({}, {100, {}});
        given(page);
        given(backend.tickets({}, {100, page->next}));
        given(backend.tickets({site, {}, {}, {}}, {100, {}}));
        given(backend.tickets({{}, probe, {}, {}}, {100, {}}));
        given(backend.tickets({{}, {}, service::State::open, {}}, {100, {}}));
        given(backend.tickets({{}, {}, service::State::closed, {}}, {100, {}}));
        given(backend.tickets({{}, {}, {}, diagnosis::Reason::slow_response}, {100, {}}));
        given(backend.ticket(site + "-7"));
        given(backend.sites({}, {}));
        given(backend.site(site));
        given(backend.probes({}, {100, {}}));
        given(backend.probe(probe));
        given(backend.diagnosis(probe));
        given(backend.diagnoses(probe, {}, {}));
        given(backend.response_tests(probe, {}, {}));
        given(backend.service_records(probe, {}));
        given(backend.steps(probe, {}, seconds(3600.0), {}));
        given(backend.out_of_use(site, {}, {}));
        given(backend.findings({}, {}));
        given(backend.instruments({}, {}));
        given(backend.membranes(probe, {}));
        given(backend.site_month(site, {}));
        given(backend.parts_demand({}, 8));
        given(backend.stored_events(100 * hub::events_a_transaction, 100));
        given(backend.health());
        given(backend.round(week));
        api::Command command;
        command.path = "/v1/tickets/" + site + "-99/close";
        command.site = site;
        command.who = "ada";
        command.key = "k";
        auto const asked = backend.forward(command);
        given(asked);
        given(backend.step_report(asked->id));
    }
    auto const log = log_from(cluster->log(), before);
    CHECK(log.find("Query Text: SELECT document FROM probekeeper.tickets WHERE (opened_at") !=
          std::string::npos);
    std::regex const walk{
        "Seq Scan on "
        "(probekeeper\\.)?(diagnoses|response_tests|summaries|tickets|records|events|steps|outcomes)_"};
    std::smatch found;
    if (std::regex_search(log, found, walk)) {
        auto const begin = log.rfind("Query Text:", static_cast<std::size_t>(found.position()));
        FAIL(log.substr(begin, static_cast<std::size_t>(found.position()) - begin + 200));
    }
}

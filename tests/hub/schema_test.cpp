#include <catch2/catch.hpp>
#include <thread>
#include <vector>

#include "hub/cluster.h"
#include "hub/schema.h"

using namespace probekeeper;

TEST_CASE("hubs that start together lay the database out once", "[hub]") {
    auto* const cluster = tests::Cluster::shared();
    if (cluster == nullptr) {
        WARN("skipped: no PostgreSQL");
        return;
    }
    auto const where = cluster->fresh_database("schema_test");
    std::vector<std::thread> hubs;
    std::atomic<int> done{0};
    for (int i = 0; i < 4; ++i) {
        hubs.emplace_back([&] {
            auto connection = cluster->connect(where);
            hub::migrate(connection);
            ++done;
        });
    }
    for (auto& hub : hubs) {
        hub.join();
    }
    CHECK(done == 4);
    auto connection = cluster->connect(where);
    hub::require_layout(connection);
    auto const rows = connection.run("SELECT count(*), max(version) FROM probekeeper.layout");
    CHECK(rows.integer(0, 0) == static_cast<std::int64_t>(hub::layouts().size()));
    CHECK(rows.integer(0, 1) == static_cast<std::int64_t>(hub::layouts().size()));
}

TEST_CASE("a database of a newer program is refused, and one without tables says what to do", "[hub]") {
    auto* const cluster = tests::Cluster::shared();
    if (cluster == nullptr) {
        WARN("skipped: no PostgreSQL");
        return;
    }
    auto connection = cluster->connect(cluster->fresh_database("schema_newer"));
    CHECK_THROWS_WITH(hub::require_layout(connection), Catch::Contains("start a hub once"));
    hub::migrate(connection);
    connection.run("INSERT INTO probekeeper.layout (version, sites_from) VALUES ($1, $2)", {1000, 1});
    CHECK_NOTHROW(hub::require_layout(connection));  // a site may still write
    CHECK_THROWS_WITH(hub::migrate(connection), Catch::Contains("of a newer program"));
    connection.run("UPDATE probekeeper.layout SET sites_from = 999 WHERE version = $1", {1000});
    CHECK_THROWS_WITH(hub::require_layout(connection), Catch::Contains("update this daemon"));
}

TEST_CASE("a site's login reaches its own sites alone, and no step can be changed by anybody", "[hub]") {
    auto* const cluster = tests::Cluster::shared();
    if (cluster == nullptr) {
        WARN("skipped: no PostgreSQL");
        return;
    }
    auto owner = cluster->connect(cluster->fresh_database("schema_roles"));
    owner.script(
        "CREATE ROLE probekeeper_site; CREATE ROLE probekeeper_hub; CREATE ROLE mill LOGIN IN ROLE "
        "probekeeper_site; "
        "CREATE ROLE pond LOGIN IN ROLE probekeeper_site; CREATE ROLE contractor LOGIN IN ROLE "
        "probekeeper_hub");
    hub::migrate(owner);
    auto mill = cluster->connect(cluster->database("schema_roles", "mill"));
    auto pond = cluster->connect(cluster->database("schema_roles", "pond"));
    auto contractor = cluster->connect(cluster->database("schema_roles", "contractor"));
    hub::require_layout(mill);

    auto const claim = "INSERT INTO probekeeper.sites (site_id, daemon, heard_at) VALUES ($1, $2, now())";
    mill.run(claim, {"mill", "a"});
    pond.run(claim, {"pond", "b"});
    auto const probe =
        "INSERT INTO probekeeper.probes (site_id, probe_id, document, condition) VALUES ($1, $2, '{}', "
        "'good')";
    mill.run(probe, {"mill", "p"});
    CHECK_THROWS_AS(pond.run(probe, {"mill", "q"}), postgres::Error);
    CHECK(pond.run("SELECT FROM probekeeper.probes").empty());
    CHECK(pond.run("UPDATE probekeeper.sites SET daemon = 'b' WHERE site_id = 'mill'").affected() == 0);
    CHECK(contractor.run("SELECT FROM probekeeper.probes").size() == 1);

    auto const step =
        "INSERT INTO probekeeper.steps (site_id, id, who, role, method, path, content_type, body) VALUES "
        "('mill', 'x', 'ada', 'operate', 'POST', '/v1/tickets/mill-1/close', 'application/json', '{}')";
    contractor.run(step);
    CHECK_THROWS_AS(mill.run(step), postgres::Error);
    CHECK(mill.run("SELECT FROM probekeeper.steps").size() == 1);
    CHECK(pond.run("SELECT FROM probekeeper.steps").empty());
    CHECK_THROWS_AS(mill.run("DELETE FROM probekeeper.steps"), postgres::Error);
    CHECK_THROWS_AS(contractor.run("UPDATE probekeeper.steps SET body = ''"), postgres::Error);
    owner.script("DROP OWNED BY mill, pond, contractor, probekeeper_site, probekeeper_hub");
    owner.script("DROP ROLE mill, pond, contractor, probekeeper_site, probekeeper_hub");
}

// Commands on their way to a site, and what comes back.
#include <boost/json/parse.hpp>
#include <catch2/catch.hpp>
#include <thread>

#include "hub/filled.h"
#include "hub/schema.h"

using namespace probekeeper;
using namespace probekeeper::tests;

namespace {

Timestamp const now = at_hour(480.0);

api::Command closing(std::string site, std::optional<std::string> key, std::string body = "{}") {
    api::Command command;
    command.method = "POST";
    command.path = "/v1/tickets/" + site + "-1/close";
    command.content_type = "application/json";
    command.body = std::move(body);
    command.body_hash = "hash of " + command.body;
    command.who = "ada";
    command.role = access::Role::operate;
    command.key = std::move(key);
    command.site = std::move(site);
    return command;
}

// As a site's daemon does.
void answer(postgres::Connection& db, std::string const& site, std::string const& id, int status,
            std::string const& body) {
    db.run("DELETE FROM probekeeper.waiting_steps WHERE site_id = $1 AND id = $2", {site, id});
    db.run(
        "INSERT INTO probekeeper.outcomes (site_id, id, at, status, content_type, body) VALUES ($1, $2, "
        "now(), $3, "
        "'application/json', $4)",
        {site, id, status, body});
    db.run("SELECT pg_notify($1, $2)", {hub::outcomes_channel, id});
}

}  // namespace

TEST_CASE("a command is kept for its site with who asked, and told as waiting until it answers", "[hub]") {
    auto* const cluster = Cluster::shared();
    if (cluster == nullptr) {
        WARN("skipped: no PostgreSQL");
        return;
    }
    auto const where = cluster->fresh_database("hub_commands");
    HubEstate estate{*cluster, where};
    RunningHub hub{where, now};
    estate.db.listen(hub::steps_channel);
    auto const asked = hub.backend->forward(closing("mill", {})).value();
    CHECK_FALSE(asked.outcome);
    CHECK(asked.waiting == std::vector<std::string>{"mill"});
    auto const called = estate.db.wait(std::chrono::seconds{5});
    REQUIRE(called.has_value());
    CHECK(called->payload == "mill");
    auto const kept = estate.db.run(
        "SELECT s.who, s.role, s.method, s.path, s.body FROM probekeeper.steps s JOIN "
        "probekeeper.waiting_steps USING "
        "(site_id, id)");
    REQUIRE(kept.size() == 1);
    CHECK(kept.text(0, 0) == "ada");
    CHECK(kept.text(0, 1) == "operate");
    CHECK(kept.text(0, 3) == "/v1/tickets/mill-1/close");

    answer(estate.db, "mill", asked.id, 409, R"({"detail":"it does not fit"})");
    auto const done = hub.backend->step_report(asked.id).value();
    REQUIRE(done.outcome);
    CHECK(done.outcome->status == 409);
    CHECK(done.waiting.empty());
    CHECK(hub.backend->step_report("nothing").error().kind == api::Refusal::Kind::not_found);
    // Without a key it is another command each time.
    CHECK(hub.backend->forward(closing("mill", {}))->id != asked.id);
}

TEST_CASE("whoever waits for a site's answer gets it when it comes", "[hub]") {
    auto* const cluster = Cluster::shared();
    if (cluster == nullptr) {
        WARN("skipped: no PostgreSQL");
        return;
    }
    auto const where = cluster->fresh_database("hub_waiting");
    HubEstate estate{*cluster, where};
    RunningHub hub{where, now, {}, {std::chrono::seconds{60}, 24}};
    estate.db.listen(hub::steps_channel);
    std::thread site{[&] {
        if (estate.db.wait(std::chrono::seconds{60})) {
            auto const rows = estate.db.run("SELECT id FROM probekeeper.waiting_steps");
            answer(estate.db, "mill", std::string{rows.text(0, 0)}, 200, R"({"id":"mill-1"})");
        }
    }};
    auto const asked = hub.backend->forward(closing("mill", {}));
    site.join();
    REQUIRE(asked.has_value());
    REQUIRE(asked->outcome);
    CHECK(asked->outcome->body == R"({"id":"mill-1"})");
}

TEST_CASE("the same command under the same key is asked once, by whichever hub it comes", "[hub]") {
    auto* const cluster = Cluster::shared();
    if (cluster == nullptr) {
        WARN("skipped: no PostgreSQL");
        return;
    }
    auto const where = cluster->fresh_database("hub_once");
    HubEstate estate{*cluster, where};
    RunningHub first{where, now}, second{where, now};
    std::vector<std::thread> clients;
    std::atomic<int> fresh{0};
    for (int i = 0; i < 8; ++i) {
        clients.emplace_back([&, i] {
            auto const report = (i % 2 == 0 ? first : second).backend->forward(closing("mill", "k")).value();
            fresh += report.known_before ? 0 : 1;
        });
    }
    for (auto& client : clients) {
        client.join();
    }
    CHECK(fresh >= 1);
    CHECK(estate.db.run("SELECT FROM probekeeper.steps").size() == 1);
    CHECK(estate.db.run("SELECT FROM probekeeper.waiting_steps").size() == 1);
    // With another body the hash tells it, and nothing is asked anew.
    CHECK(second.backend->forward(closing("mill", "k", "{\"by\":\"x\"}"))->body_hash == "hash of {}");
    CHECK(estate.db.run("SELECT FROM probekeeper.steps").size() == 1);
    auto other = closing("mill", "k");
    other.who = "bob";
    CHECK_FALSE(second.backend->forward(other)->known_before);
}

TEST_CASE("a sheet goes to all of its sites, and comes back as one", "[hub]") {
    auto* const cluster = Cluster::shared();
    if (cluster == nullptr) {
        WARN("skipped: no PostgreSQL");
        return;
    }
    auto const where = cluster->fresh_database("hub_sheet");
    HubEstate estate{*cluster, where};
    estate.add_site("mill");
    estate.add_site("pond");
    estate.add_probe("mill", "mill-1");
    estate.add_probe("pond", "pond-1");
    RunningHub hub{where, now};
    api::Command sheet;
    sheet.method = "POST";
    sheet.path = "/v1/service-records";
    sheet.content_type = "text/csv";
    sheet.body =
        "time,probe,kind\n2026-11-02T01:00:00Z,pond-1,inspection\n2026-11-02T01:00:00Z,mill-1,inspection\n";
    sheet.body_hash = "h";
    sheet.who = "ada";
    sheet.role = access::Role::operate;
    auto const asked = hub.backend->forward(sheet).value();
    CHECK(asked.sites == std::vector<std::string>{"mill", "pond"});
    auto const item = [](int line) {
        return "{\"items\":[{\"line\":" + std::to_string(line) +
               ",\"result\":\"kept\",\"message\":null,\"record\":{}}]}";
    };
    answer(estate.db, "mill", asked.id, 200, item(3));
    CHECK(hub.backend->step_report(asked.id)->waiting == std::vector<std::string>{"pond"});
    answer(estate.db, "pond", asked.id, 200, item(2));
    auto const joined = boost::json::parse(hub.backend->step_report(asked.id)->outcome.value().body);
    CHECK(joined.at("kept") == 2);
    CHECK(joined.at("items").at(0).at("line") == 2);

    sheet.only = {"quay"};  // sees neither
    auto const refused = hub.backend->forward(sheet).value();
    REQUIRE(refused.outcome);
    CHECK(boost::json::parse(refused.outcome->body).at("refused") == 2);
    CHECK(estate.db.run("SELECT FROM probekeeper.steps").size() == 2);
}

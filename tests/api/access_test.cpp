#include <boost/json/parse.hpp>
#include <catch2/catch.hpp>

#include "access/secret.h"
#include "api/client.h"
#include "api/estate.h"

using namespace probekeeper;
namespace json = boost::json;

namespace {

struct Guarded {
    std::string const reader = access::new_secret("pk_"), van = access::new_secret("pk_"),
                      chief = access::new_secret("pk_");
    Served served;
    Client client;

    explicit Guarded(api::Limits limits = {}) : served{limits, rules()}, client{served.port()} {}
    api::AccessRules rules() const {
        api::AccessRules rules;
        rules.tokens_needed = true;
        rules.tokens = {{"panel", access::Role::read, access::hash_of(reader), estate_time, {}},
                        {"van", access::Role::operate, access::hash_of(van), estate_time, {"saltmarsh"}},
                        {"chief", access::Role::admin, access::hash_of(chief), estate_time, {}}};
        return rules;
    }
    static std::string with(std::string const& token) { return "Authorization: Bearer " + token + "\r\n"; }
    Reply get(std::string const& token, std::string const& path) { return client.get(path, with(token)); }
    Reply post(std::string const& token, std::string const& path, std::string const& body) {
        Client once{served.port()};  // a refusal by the header alone ends the connection
        return once.post(path, body, with(token));
    }
};

std::string type_of(Reply const& reply) {
    return std::string{json::parse(reply.body).at("type").as_string()};
}

}  // namespace

TEST_CASE("without a good token nothing is served but what describes the server", "[api][access]") {
    Guarded g;
    auto const naked = g.client.get("/v1/probes");
    CHECK(naked.status == 401);
    CHECK(naked.header("www-authenticate") == "Bearer");
    CHECK(type_of(naked) == "/problems/unauthenticated");
    CHECK(g.get("pk_wrong", "/v1/probes").status == 401);
    CHECK(g.client.get("/v1/probes", "Authorization: Basic eDp5\r\n").status == 401);
    CHECK(g.get(g.reader, "/v1/probes").status == 200);
    CHECK(g.client.get("/openapi.json").status == 200);
    CHECK(g.client.get("/problems/unauthenticated").status == 200);
    CHECK(g.client.get("/metrics").status == 401);
}

TEST_CASE("a role may what it says, and no more", "[api][access]") {
    Guarded g;
    auto const refused = g.post(g.reader, "/v1/tickets/saltmarsh-17/acknowledge", R"({"by": "x"})");
    CHECK(refused.status == 403);
    CHECK(type_of(refused) == "/problems/forbidden");
    CHECK(g.get(g.reader, "/v1/changes").status == 403);
    CHECK(g.post(g.van, "/v1/tickets/saltmarsh-17/acknowledge", R"({"by": "x"})").status == 200);
    CHECK(g.get(g.van, "/v1/changes").status == 403);
    auto const changes = g.get(g.chief, "/v1/changes");
    CHECK(changes.status == 200);
    auto const items = json::parse(changes.body).at("items");
    auto const& first = items.as_array().at(0);
    CHECK(first.at("who") == "van");
    CHECK(first.at("path") == "/v1/tickets/saltmarsh-17/acknowledge");
    CHECK(first.at("address") == "127.0.0.1");
}

TEST_CASE("a token of one site sees that site alone, in lists and by name", "[api][access]") {
    Guarded g;
    auto const count = [&](std::string const& path) {
        return json::parse(g.get(g.van, path).body).at("items").as_array().size();
    };
    CHECK(count("/v1/sites") == 1);
    CHECK(count("/v1/probes") == 2);
    CHECK(count("/v1/tickets") == 1);
    CHECK(g.get(g.van, "/v1/sites/saltmarsh").status == 200);
    CHECK(g.get(g.van, "/v1/probes/tank-1/readings").status == 200);
    CHECK(g.get(g.van, "/v1/health").status == 200);
    for (auto const* path : {"/v1/sites/northworks", "/v1/probes/basin-1", "/v1/probes/basin-1/diagnosis",
                             "/v1/tickets/northworks-1", "/v1/tickets?site=northworks", "/metrics"}) {
        CAPTURE(path);
        CHECK(g.get(g.van, path).status == 403);
    }
    CHECK(g.post(g.van, "/v1/probes/basin-1/service-records", R"({"kind": "moved"})").status == 403);
}

TEST_CASE("a link opens its one path for reading without a token, for a minute", "[api][access]") {
    Guarded g;
    auto const made = g.post(g.van, "/v1/links", R"({"path": "/v1/probes/tank-1"})");
    REQUIRE(made.status == 201);
    auto const path = std::string{json::parse(made.body).at("path").as_string()};
    CHECK(json::parse(made.body).at("expires_at") == "2026-03-01T06:01:00.000Z");
    CHECK(g.client.get(path).status == 200);
    auto const secret = path.substr(path.find('?'));
    CHECK(g.client.get("/v1/probes/tank-2" + secret).status == 401);
    CHECK(g.client.get("/v1/tickets" + secret).status == 401);
    CHECK(g.client.get("/v1/probes/tank-1?link=guess").status == 401);
    // Whose link it is decides what it shows.
    auto const other = g.post(g.van, "/v1/links", R"({"path": "/v1/probes/basin-1"})");
    CHECK(g.client.get(std::string{json::parse(other.body).at("path").as_string()}).status == 403);
    CHECK(g.post(g.van, "/v1/links", R"({"path": "https://elsewhere.example/"})").status == 422);
    g.served.ahead_ms = 60'001;
    CHECK(g.client.get(path).status == 401);
}

TEST_CASE("who asks too often is told when to come back, and others are not", "[api][access]") {
    api::Limits limits;
    limits.requests_at_once = 5.0;
    limits.requests_per_s = 0.01;
    Guarded g{limits};
    for (int i = 0; i < 5; ++i) {
        CHECK(g.get(g.reader, "/v1/health").status == 200);
    }
    auto const refused = g.get(g.reader, "/v1/health");
    CHECK(refused.status == 429);
    CHECK(type_of(refused) == "/problems/too-many-requests");
    CHECK(std::stoi(refused.header("retry-after")) >= 90);
    CHECK(g.get(g.chief, "/v1/health").status == 200);
}

TEST_CASE("who comes without a token is counted by address", "[api][access]") {
    api::Limits limits;
    limits.requests_at_once = 5.0;
    limits.requests_per_s = 0.01;
    Guarded g{limits};
    for (int i = 0; i < 5; ++i) {
        CHECK(g.client.get("/v1/health").status == 401);
    }
    CHECK(g.client.get("/v1/health").status == 429);
    CHECK(g.get(g.reader, "/v1/health").status == 200);
}

TEST_CASE("an address that guesses tokens is slowed down, and a good token from there with it",
          "[api][access]") {
    Guarded g;
    int refused = 0;
    for (int i = 0; i < 30; ++i) {
        refused += g.get("pk_guess" + std::to_string(i), "/v1/health").status == 429 ? 1 : 0;
    }
    CHECK(refused == 10);
    CHECK(g.get(g.chief, "/v1/health").status == 429);
}

TEST_CASE("new rules hold from the next request on", "[api][access]") {
    Guarded g;
    CHECK(g.get(g.reader, "/v1/health").status == 200);
    auto rules = g.rules();
    rules.tokens.erase(rules.tokens.begin());
    g.served.server->set_access(rules);
    CHECK(g.get(g.reader, "/v1/health").status == 401);
    CHECK(g.get(g.chief, "/v1/health").status == 200);
}

TEST_CASE("the key of one token's request is not another's", "[api][access]") {
    Guarded g;
    std::string const path = "/v1/probes/tank-1/service-records", body = R"({"kind": "membrane_wipe"})";
    Client client{g.served.port()};
    auto const first = client.post(path, body, Guarded::with(g.van) + "Idempotency-Key: a\r\n");
    auto const second = client.post(path, body, Guarded::with(g.chief) + "Idempotency-Key: a\r\n");
    CHECK(first.status == 201);
    CHECK(second.status == 201);
    CHECK(second.header("idempotency-replayed").empty());
}

TEST_CASE("a host that the configuration names is known, and another is not", "[api][access]") {
    api::AccessRules rules;
    rules.host_names = {"Probes.example"};
    Served served{{}, rules};
    Client client{served.port()};
    auto const ask = [&](std::string const& host) {
        client.send("GET /v1/health HTTP/1.1\r\nHost: " + host + "\r\n\r\n");
        return client.receive().status;
    };
    CHECK(ask("probes.example") == 200);
    CHECK(ask("probes.example:443") == 200);
    CHECK(ask("localhost:1") == 200);
    CHECK(ask("other.example") == 421);
}

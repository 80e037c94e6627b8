// Commands that a hub hands on to the sites' own daemons.
#include <spdlog/sinks/null_sink.h>

#include <boost/json/parse.hpp>
#include <catch2/catch.hpp>

#include "access/secret.h"
#include "api/client.h"
#include "api/estate.h"

using namespace probekeeper;
namespace json = boost::json;

namespace {

constexpr auto is_json = "Content-Type: application/json\r\n";

class OfHub final : public Estate {
public:
    [[nodiscard]] bool is_hub() const override { return true; }
    Answer<service::Ticket> step(std::string const& /*ticket*/, api::TicketStep const& /*take*/,
                                 api::Keep<service::Ticket> const& /*keep*/) override {
        return elsewhere();
    }
    Answer<api::TakenRecord> add_record(service::Record const& /*record*/,
                                        api::Keep<api::TakenRecord> const& /*keep*/) override {
        return elsewhere();
    }
    Answer<api::StepReport> forward(api::Command const& command) override {
        asked.push_back(command);
        report.body_hash = hash_told.value_or(command.body_hash);
        return report;
    }
    Answer<api::StepReport> step_report(std::string const& id) override {
        if (id != report.id) {
            return api::Refusal{api::Refusal::Kind::not_found, "there is no step " + id, {}, {}};
        }
        return report;
    }

    std::vector<api::Command> asked;
    api::StepReport report{"5f1e",      "ada",         "POST",        "/v1/x", {},
                           estate_time, {"saltmarsh"}, {"saltmarsh"}, {},      false};
    std::optional<std::string> hash_told;

private:
    static api::Refusal elsewhere() { return {api::Refusal::Kind::elsewhere, {}, "saltmarsh", {}}; }
};

struct HubServed {
    std::string const ada = access::new_secret("pk_"), van = access::new_secret("pk_");
    OfHub hub;
    std::unique_ptr<api::Server> server;
    std::unique_ptr<Client> client;

    HubServed() {
        api::Options options;
        options.access.tokens_needed = true;
        options.access.tokens = {
            {"ada", access::Role::operate, access::hash_of(ada), estate_time, {}},
            {"van", access::Role::operate, access::hash_of(van), estate_time, {"quern"}}};
        options.now = [] { return estate_time; };
        server = std::make_unique<api::Server>(
            options, hub,
            std::make_shared<spdlog::logger>("test", std::make_shared<spdlog::sinks::null_sink_mt>()));
        client = std::make_unique<Client>(server->port());
    }
    Reply post(std::string const& path, std::string const& body, std::string const& more = {}) const {
        return client->post(path, body, is_json + ("Authorization: Bearer " + ada + "\r\n") + more);
    }
    Reply get(std::string const& path, std::string const& token) const {
        return client->get(path, "Authorization: Bearer " + token + "\r\n");
    }
};

}  // namespace

TEST_CASE("a command goes to its site as it was asked, and waits where nothing is heard", "[api][steps]") {
    HubServed served;
    std::string const body = R"({ "by": "Ada" })";
    auto const reply = served.post("/v1/tickets/saltmarsh-17/acknowledge", body, "Idempotency-Key: k\r\n");
    CAPTURE(reply.body);
    REQUIRE(reply.status == 202);
    CHECK(reply.header("location") == "/v1/steps/5f1e");
    auto const told = json::parse(reply.body);
    CHECK(told.at("state") == "waiting");
    CHECK(told.at("waiting").at(0) == "saltmarsh");
    REQUIRE(served.hub.asked.size() == 1);
    auto const& asked = served.hub.asked.front();
    CHECK(asked.method == "POST");
    CHECK(asked.path == "/v1/tickets/saltmarsh-17/acknowledge");
    CHECK(asked.content_type == "application/json");
    CHECK(asked.body == body);
    CHECK(asked.who == "ada");
    CHECK(asked.role == access::Role::operate);
    CHECK(asked.site == "saltmarsh");
    CHECK(asked.key == "k");
    // The time of work that says none is now, not when the site hears of it.
    CHECK(served.post("/v1/probes/tank-1/service-records", R"({"kind":"inspection"})").status == 202);
    CHECK(json::parse(served.hub.asked.back().body).at("time").as_string() == to_rfc3339(estate_time));
    CHECK(served
              .post("/v1/probes/tank-1/service-records",
                    R"({"kind":"inspection","time":"2026-02-28T00:00:00Z"})")
              .status == 202);
    CHECK(json::parse(served.hub.asked.back().body).at("time") == "2026-02-28T00:00:00Z");
}

TEST_CASE("what the site answered is the answer", "[api][steps]") {
    HubServed served;
    served.hub.report.waiting.clear();
    served.hub.report.outcome = {estate_time, 409, "application/problem+json", R"({"detail":"closed"})"};
    auto const reply = served.post("/v1/tickets/saltmarsh-17/acknowledge", R"({"by":"x"})");
    CHECK(reply.status == 409);
    CHECK(reply.header("content-type") == "application/problem+json");
    CHECK(reply.body == R"({"detail":"closed"})");
    served.hub.report.known_before = true;
    CHECK(
        served.post("/v1/tickets/saltmarsh-17/acknowledge", R"({"by":"x"})").header("idempotency-replayed") ==
        "true");
    auto const step = json::parse(served.get("/v1/steps/5f1e", served.ada).body);
    CHECK(step.at("state") == "done");
    CHECK(step.at("status") == 409);
    CHECK(step.at("answer").at("detail") == "closed");
}

TEST_CASE("what is wrong with a command is said at once, and asked of nobody", "[api][steps]") {
    HubServed served;
    CHECK(served.post("/v1/tickets/saltmarsh-17/acknowledge", "{}").status == 422);
    CHECK(served.post("/v1/tickets/saltmarsh-17/acknowledge", "{").status == 400);
    CHECK(served.hub.asked.empty());
    served.hub.hash_told = "another";
    auto const reused = served.post("/v1/tickets/saltmarsh-17/acknowledge", R"({"by":"x"})");
    CHECK(reused.status == 422);
    CHECK(json::parse(reused.body).at("type") == "/problems/key-reused");
}

TEST_CASE("a step is shown to whoever may see all of its sites, and only hubs have steps", "[api][steps]") {
    HubServed served;
    CHECK(served.get("/v1/steps/5f1e", served.ada).status == 200);
    CHECK(served.get("/v1/steps/5f1e", served.van).status == 404);
    CHECK(served.get("/v1/steps/0000", served.ada).status == 404);
    CHECK(served.get("/v1/probes/tank-1", served.van).status == 403);  // of saltmarsh
    auto const described = json::parse(served.client->get("/openapi.json").body).at("paths").as_object();
    CHECK(described.contains("/v1/steps/{step}"));
    CHECK(described.at("/v1/tickets/{ticket}/close").at("post").at("responses").as_object().contains("202"));

    Served site;
    Client client{site.port()};
    CHECK(client.get("/v1/steps/5f1e").status == 404);
    auto const of_site = json::parse(client.get("/openapi.json").body).at("paths").as_object();
    CHECK_FALSE(of_site.contains("/v1/steps/{step}"));
    CHECK_FALSE(
        of_site.at("/v1/tickets/{ticket}/close").at("post").at("responses").as_object().contains("202"));
}

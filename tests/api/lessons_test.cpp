// What people tell of service beyond tickets, and what that teaches.
#include <boost/json/parse.hpp>
#include <boost/json/value.hpp>
#include <catch2/catch.hpp>

#include "api/client.h"
#include "api/estate.h"

namespace json = boost::json;

namespace {

constexpr auto is_json = "Content-Type: application/json\r\n";

struct Asking {
    Served served;
    Client client{served.port()};

    json::value post(std::string const& path, std::string const& body, int status) {
        auto const reply = client.post(path, body, is_json);
        CAPTURE(path, reply.body);
        REQUIRE(reply.status == status);
        return json::parse(reply.body);
    }
    json::value get(std::string const& path) {
        auto const reply = client.get(path);
        CAPTURE(path, reply.body);
        REQUIRE(reply.status == 200);
        return json::parse(reply.body);
    }
};

}  // namespace

TEST_CASE("a record is voided with a reason, once, and stays listed", "[api][records]") {
    Asking ask;
    auto const record = ask.post("/v1/probes/tank-1/service-records", R"({"kind": "membrane_wipe"})", 201);
    auto const at =
        "/v1/probes/tank-1/service-records/" + std::to_string(record.at("record").as_int64()) + "/void";
    CHECK(ask.post(at, "{}", 422).at("field") == "why");
    auto const voided = ask.post(at, R"({"why": "other tank"})", 200);
    CHECK(voided.at("voided").at("why") == "other tank");
    CHECK(voided.at("voided").at("by") == "local");  // who asked, where nobody is named
    CHECK(ask.post(at, R"({"why": "again"})", 409).at("type") == "/problems/conflict");
    ask.post("/v1/probes/tank-1/service-records/99/void", R"({"why": "x"})", 404);
    ask.post("/v1/probes/tank-1/service-records/first/void", R"({"why": "x"})", 404);
    auto const listed = ask.get("/v1/probes/tank-1/service-records").at("items").as_array();
    CHECK(listed.back().at("voided").at("why") == "other tank");
}

TEST_CASE(
    "a probe is parked and taken back into use by number, and a site's parking is listed with its probes",
    "[api][out_of_use]") {
    Asking ask;
    auto const at = std::string{"/v1/probes/tank-1/out-of-use"};
    CHECK(ask.post(at, "{}", 422).at("field") == "why");
    CHECK(
        ask.post(at, R"({"why": "x", "from": "2026-03-02T00:00:00Z", "until": "2026-03-01T00:00:00Z"})", 422)
            .at("field") == "until");
    auto const parked = ask.post(at, R"({"why": "drained", "by": "ada"})", 201);
    CHECK(parked.at("until").is_null());
    CHECK(parked.at("site") == "saltmarsh");
    CHECK(parked.at("from").is_string());  // now
    ask.post("/v1/sites/saltmarsh/out-of-use", R"({"why": "ice", "until": "2027-03-02T00:00:00Z"})", 201);
    CHECK(ask.get(at).at("items").as_array().size() == 2);
    CHECK(ask.get("/v1/probes/tank-1/out-of-use?limit=1").at("next").is_string());

    auto const ended = ask.post(at + "/1/end", R"({"until": "2027-03-01T00:00:00Z"})", 200);
    CHECK(ended.at("until") == "2027-03-01T00:00:00.000Z");
    CHECK(ended.at("ended_by") == "local");
    CHECK(ended.at("why") == "drained");
    for (auto const* wrong : {"/2/end", "/0/end", "/x/end"}) {  // 2 is the whole site's
        ask.post(at + wrong, "{}", 404);
    }
    ask.post("/v1/sites/saltmarsh/out-of-use/2/end", "{}", 200);
    ask.post("/v1/sites/nowhere/out-of-use", R"({"why": "ice"})", 404);
}

TEST_CASE("what was found, how long membranes last and what parts will be needed can be asked for",
          "[api][lessons]") {
    Asking ask;
    CHECK(ask.get("/v1/findings").at("items").as_array().empty());
    ask.post("/v1/tickets/saltmarsh-17/close", R"({"by": "ada", "found": "as_diagnosed"})", 200);
    auto const found = ask.get("/v1/findings").at("items").as_array();
    REQUIRE(found.size() == 3);  // everywhere, in such water, at the site
    CHECK(found[0].at("as_diagnosed") == 1);
    CHECK(found[0].at("right").to_number<double>() == 1.0);
    CHECK(found[0].at("low").to_number<double>() < 0.5);
    CHECK(found[1].at("kind") == "aquaculture");
    CHECK(found[2].at("site") == "saltmarsh");

    ask.post("/v1/probes/tank-1/service-records",
             R"({"kind": "membrane_change", "serial": "A", "time": "2026-01-01T00:00:00Z"})", 201);
    auto const lives = ask.get("/v1/probes/tank-1/membranes").at("items").as_array();
    REQUIRE(lives.size() == 1);
    CHECK(lives[0].at("serial") == "A");
    CHECK(lives[0].at("end").is_null());
    CHECK(lives[0].at("days").to_number<double>() == Approx(59.25));
    auto const all = ask.get("/v1/membranes/statistics").at("items").as_array()[0];
    CHECK(all.at("in_use") == 1);
    CHECK(all.at("curve").as_array().empty());
    CHECK(all.at("weibull").at("median_days").to_number<double>() > 59.25);

    CHECK(ask.get("/v1/parts/demand").at("weeks").as_array().size() == 8);
    auto const demand = ask.get("/v1/parts/demand?weeks=2");
    CHECK(demand.at("weeks").as_array()[0].at("parts").as_array().empty());
    auto const& second = demand.at("weeks").as_array()[1].at("parts").as_array();
    CHECK(second[0].at("part") == "membrane");
    CHECK(second[0].at("kind") == "cap-25um");
    CHECK(second[0].at("stock") == 1);
    CHECK(ask.client.get("/v1/parts/demand?weeks=53").status == 400);
}

TEST_CASE("an instrument is named by whatever its maker stamped on it", "[api][instruments]") {
    Asking ask;
    auto const whole = ask.get("/v1/instruments/GX%2F0417%20a");
    CHECK(whole.at("serial") == "GX/0417 a");
    CHECK(whole.at("probe") == "tank-1");
    CHECK(whole.at("responses").as_array()[0].at("t90_20_s").to_number<double>() == 41.5);
    auto const listed = ask.get("/v1/instruments").at("items").as_array();
    REQUIRE(listed.size() == 1);
    CHECK_FALSE(listed[0].as_object().contains("responses"));
    CHECK(ask.client.get("/v1/instruments/GX-0417").status == 404);
}

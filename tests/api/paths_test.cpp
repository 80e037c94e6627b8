// Every path: what it answers, and what it answers to a wrong request.
#include <boost/json/parse.hpp>
#include <boost/json/value.hpp>
#include <catch2/catch.hpp>

#include "api/client.h"
#include "api/estate.h"

namespace json = boost::json;

namespace {

json::value document(Reply const& reply) {
    CAPTURE(reply.body);
    REQUIRE(reply.header("content-type") == "application/json");
    return json::parse(reply.body);
}

// Checks that it is a problem, and gives it.
json::value problem(Reply const& reply, int status, std::string const& type) {
    CAPTURE(reply.body);
    CHECK(reply.status == status);
    CHECK(reply.header("content-type") == "application/problem+json");
    CHECK(reply.header("cache-control") == "no-store");
    auto out = json::parse(reply.body);
    CHECK(out.at("type").as_string() == "/problems/" + type);
    CHECK(out.at("status").as_int64() == status);
    CHECK_FALSE(out.at("title").as_string().empty());
    return out;
}

}  // namespace

TEST_CASE("every GET of this release answers with its document", "[api]") {
    Served served;
    Client client{served.port()};
    auto const [path, member] = GENERATE(table<std::string, std::string>({
        {"/v1/health", "status"},
        {"/v1/sites", "items"},
        {"/v1/sites/saltmarsh", "conditions"},
        {"/v1/sites/saltmarsh/report", "complete"},
        {"/v1/sites/saltmarsh/report?month=2026-02", "probes"},
        {"/v1/probes", "items"},
        {"/v1/probes?site=saltmarsh&condition=good", "items"},
        {"/v1/probes/tank-1", "last_reading"},
        {"/v1/probes/tank-1/readings", "do_mg_l"},
        {"/v1/probes/tank-1/readings?step_s=60", "do_mg_l_mean"},
        {"/v1/probes/tank-1/diagnosis", "t90_unknown"},
        {"/v1/probes/tank-1/suitability", "bits"},
        {"/v1/probes/tank-1/response-tests", "items"},
        {"/v1/probes/tank-1/service-records", "items"},
        {"/v1/rounds/2026-W49", "technicians"},
        {"/v1/rounds/2026-W49?technician=t2", "made_at"},
        {"/v1/probes/tank-1/out-of-use", "items"},
        {"/v1/sites/saltmarsh/out-of-use", "items"},
        {"/v1/probes/tank-1/membranes", "items"},
        {"/v1/membranes/statistics?site=saltmarsh", "items"},
        {"/v1/findings?site=saltmarsh", "items"},
        {"/v1/instruments", "items"},
        {"/v1/instruments/GX%2F0417%20a", "responses"},
        {"/v1/parts/demand?weeks=2", "unknown_age"},
        {"/v1/tickets", "items"},
        {"/v1/tickets?site=saltmarsh&probe=tank-1&state=open&reason=slow_response", "items"},
        {"/v1/tickets/saltmarsh-17", "reasons"},
        {"/v1/changes", "items"},
        {"/problems", "items"},
        {"/problems/not-found", "title"},
        {"/openapi.json", "paths"},
    }));
    CAPTURE(path);
    auto const reply = client.get(path);
    CHECK(reply.status == 200);
    CHECK(document(reply).as_object().contains(member));
    CHECK(reply.header("x-content-type-options") == "nosniff");
    CHECK(reply.header("cache-control") == "private, no-cache");
    CHECK(reply.header("date") == "Sun, 01 Mar 2026 06:00:00 GMT");
    CHECK_FALSE(reply.header("etag").empty());

    SECTION("HEAD gives the same header and no body") {
        client.send("HEAD " + path + " HTTP/1.1\r\nHost: localhost\r\n\r\n");
        auto const head = client.receive(/*to_head=*/true);
        CHECK(head.status == 200);
        CHECK(head.header("content-length") == reply.header("content-length"));
        CHECK(head.header("etag") == reply.header("etag"));
        CHECK(client.get("/v1/health").status == 200);  // nothing of a body stands before it
    }
    SECTION("what the client has already is not sent again") {
        auto const known = GENERATE_COPY(reply.header("etag"), "W/" + reply.header("etag"), std::string{"*"},
                                         "\"other\", " + reply.header("etag"));
        auto const again = client.get(path, "If-None-Match: " + known + "\r\n");
        CHECK(again.status == 304);
        CHECK(again.body.empty());
        CHECK(again.header("etag") == reply.header("etag"));
        CHECK(client.get(path, "If-None-Match: \"other\"\r\n").status == 200);
    }
}

TEST_CASE("a list is paged to its end without a gap or a repeat", "[api]") {
    Served served;
    Client client{served.port()};
    std::vector<std::string> ids;
    std::string after;
    for (int pages = 0; pages < 10; ++pages) {
        auto const page = document(client.get("/v1/probes?limit=1" + after));
        REQUIRE(page.at("items").as_array().size() == 1);
        ids.emplace_back(page.at("items").at(0).at("id").as_string());
        if (page.at("next").is_null()) {
            break;
        }
        after = "&after=" + std::string{page.at("next").as_string()};
    }
    CHECK(ids == std::vector<std::string>{"basin-1", "tank-1", "tank-2"});
}

TEST_CASE("filters of probes and tickets leave out what they say", "[api]") {
    Served served;
    Client client{served.port()};
    auto const count = [&](std::string const& path) {
        return document(client.get(path)).at("items").as_array().size();
    };
    CHECK(count("/v1/probes") == 3);
    CHECK(count("/v1/probes?site=saltmarsh") == 2);
    CHECK(count("/v1/probes?condition=good") == 1);
    CHECK(count("/v1/probes?site=northworks&condition=good") == 0);
    CHECK(count("/v1/probes?site=&condition=") == 3);
    CHECK(count("/v1/tickets?state=open") == 1);
    CHECK(count("/v1/tickets?state=closed") == 0);
    CHECK(count("/v1/tickets?reason=stuck") == 0);
    CHECK(count("/v1/probes/tank-1/response-tests?from=2026-03-02T06:00:00Z") == 2);
}

TEST_CASE("readings are taken from `from` on, before `to`, and in steps where asked", "[api]") {
    Served served;
    Client client{served.port()};
    std::string const range =
        "/v1/probes/tank-1/readings?from=2026-03-01T07:00:05+01:00&to=2026-03-01T06:00:20Z";
    auto const raw = document(client.get(range));
    CHECK(raw.at("time") ==
          json::value{"2026-03-01T06:00:05.000Z", "2026-03-01T06:00:10.000Z", "2026-03-01T06:00:15.000Z"});
    CHECK(raw.at("do_mg_l") == json::value{8.0, 9.0, 10.0});
    CHECK(raw.at("next").is_null());
    auto const steps = document(client.get(range + "&step_s=10"));
    CHECK(steps.at("count") == json::value{1, 2});
    CHECK(steps.at("do_mg_l_max") == json::value{8.0, 10.0});
    auto const first = document(client.get("/v1/probes/tank-1/readings?limit=5"));
    CHECK(first.at("time").as_array().size() == 5);
    CHECK(first.at("next") == "5");
}

TEST_CASE("a bad parameter is 400, names the parameter and says what would be right", "[api]") {
    Served served;
    Client client{served.port()};
    struct Case {
        std::string target, field, says;
    };
    auto const c = GENERATE(values<Case>({
        {"/v1/probes?sit=saltmarsh", "sit", "did you mean site?"},
        {"/v1/health?x=1", "x", "takes none"},
        {"/v1/probes?limit=0", "limit", "1..1000"},
        {"/v1/probes?limit=1001", "limit", "1..1000"},
        {"/v1/probes?limit=ten", "limit", "whole number"},
        {"/v1/probes?limit=1&limit=2", "limit", "twice"},
        {"/v1/probes?site=Salt%20Marsh", "site", "a-z, 0-9"},
        {"/v1/probes?condition=goood", "condition", "did you mean good?"},
        {"/v1/tickets?state=opened", "state", "open, acknowledged"},
        {"/v1/tickets?reason=slow", "reason", "slow_response"},
        {"/v1/tickets?after=%27;DROP", "after", "no position"},
        {"/v1/probes/tank-1/readings?from=yesterday", "from", "RFC 3339"},
        {"/v1/probes/tank-1/readings?to=2026-02-30T00:00:00Z", "to", "RFC 3339"},
        {"/v1/probes/tank-1/readings?step_s=0", "step_s", "whole number"},
        {"/v1/probes/tank-1/readings?step_s=99999999999999999999", "step_s", "whole number"},
        {"/v1/probes/tank-1/readings?from=2026-03-02T00:00:00Z&to=2026-03-01T00:00:00Z", "from", "before to"},
        {"/v1/probes/tank-1/diagnosis?limit=%00%ff", "limit", "takes none"},
    }));
    CAPTURE(c.target);
    auto const p = problem(client.get(c.target), 400, "bad-parameter");
    CHECK(p.at("field").as_string() == c.field);
    CHECK_THAT(std::string{p.at("detail").as_string()}, Catch::Contains(c.says));
}

TEST_CASE("a chart is an image with a tag of its own, and each wrong parameter is told", "[api]") {
    Served served;
    Client client{served.port()};
    auto const quantity = GENERATE(as<std::string>{}, "do", "t90", "background", "fluctuation");
    CAPTURE(quantity);
    auto const reply = client.get("/v1/probes/tank-1/chart.svg?quantity=" + quantity + "&days=7");
    CHECK(reply.status == 200);
    CHECK(reply.header("content-type") == "image/svg+xml");
    CHECK_FALSE(reply.header("etag").empty());
    CHECK(reply.body.rfind("<svg ", 0) == 0);
    problem(client.get("/v1/probes/tank-1/chart.svg?quantity=span"), 400, "bad-parameter");
    problem(client.get("/v1/probes/tank-1/chart.svg?days=0"), 400, "bad-parameter");
    problem(client.get("/v1/probes/tank-1/chart.svg?days=401"), 400, "bad-parameter");
}

TEST_CASE("the tag list of the Modbus server is a CSV", "[api]") {
    Served served;
    Client client{served.port()};
    auto const reply = client.get("/v1/scada/points.csv");
    CHECK(reply.status == 200);
    CHECK(reply.header("content-type") == "text/csv; charset=utf-8");
    CHECK(reply.body.rfind("tag\r\n", 0) == 0);
    CHECK(reply.body.find("tank-1.condition\r\n") != std::string::npos);
    problem(client.get("/v1/scada/points.csv?format=xml"), 400, "bad-parameter");
}

TEST_CASE("what is not there is 404, and so are all tricks with paths", "[api]") {
    Served served;
    Client client{served.port()};
    auto const target = GENERATE(
        as<std::string>{}, "/", "/v1", "/v1/", "/v2/health", "/v1/health/", "//v1/health", "/v1//health",
        "/v1/./health", "/v1/../v1/health", "/v1/%2e%2e/v1/health", "/v1/sites/..%2fhealth", "/V1/health",
        "/v1/probes/nosuch", "/v1/probes/nosuch/diagnosis", "/v1/probes/nosuch/readings",
        "/v1/probes/nosuch/readings?step_s=60", "/v1/probes/nosuch/response-tests",
        "/v1/probes/nosuch/service-records", "/v1/sites/nosuch", "/v1/tickets/saltmarsh-18",
        "/v1/probes/tank-1%00", "/v1/probes/tank%2d1%2f", "/v1/probes/%ff%fe", "/v1/probes/Tank-1",
        "/v1/probes/nosuch/suitability", "/v1/probes/nosuch/chart.svg",
        "/v1/probes/aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa");
    CAPTURE(target);
    auto const p = problem(client.get(target), 404, "not-found");
    CHECK_FALSE(p.at("detail").as_string().empty());
}

TEST_CASE("a method that does not fit the path is 405 and told which do", "[api]") {
    Served served;
    Client client{served.port()};
    auto const [method, path, allow] = GENERATE(table<std::string, std::string, std::string>({
        {"POST", "/v1/health", "GET, HEAD, OPTIONS"},
        {"DELETE", "/v1/tickets/saltmarsh-17", "GET, HEAD, OPTIONS"},
        {"PUT", "/v1/probes/tank-1/service-records", "GET, HEAD, POST, OPTIONS"},
        {"GET", "/v1/tickets/saltmarsh-17/close", "POST, OPTIONS"},
        {"BREW", "/v1/health", "GET, HEAD, OPTIONS"},
    }));
    client.send(method + " " + path + " HTTP/1.1\r\nHost: localhost\r\nContent-Length: 0\r\n\r\n");
    auto const reply = client.receive();
    problem(reply, 405, "method-not-allowed");
    CHECK(reply.header("allow") == allow);
    client.send("OPTIONS " + path + " HTTP/1.1\r\nHost: localhost\r\n\r\n");
    auto const options = client.receive();
    CHECK(options.status == 204);
    CHECK(options.header("allow") == allow);
}

TEST_CASE("a service record is kept and shown again", "[api]") {
    Served served;
    Client client{served.port()};
    auto const path = "/v1/probes/tank-1/service-records";
    auto const reply = client.post(path, R"({"kind": "air_calibration", "air_percent": 103.5, "by": "t1"})");
    CHECK(reply.status == 201);
    auto record = document(reply).as_object();
    CHECK(record.at("questions") == json::value(json::array{"was the work done at tank-2?"}));
    CHECK(record.at("still_to_do") == json::value(json::array{"calibrate it in air"}));
    record.erase("questions");  // are asked of whoever sent it, and are no part of the record
    record.erase("still_to_do");
    CHECK(record.at("record") == 1);
    CHECK(record.at("time") == "2026-03-01T06:00:00.000Z");
    CHECK(document(client.get(path)).at("items").at(0) == json::value(record));
    CHECK(document(client.get("/v1/probes/tank-2/service-records")).at("items").as_array().empty());
    problem(client.post("/v1/probes/nosuch/service-records", R"({"kind": "moved"})"), 404, "not-found");
    auto const early = problem(client.post(path, R"({"kind": "moved", "time": "2062-01-01T00:00:00Z"})"), 422,
                               "invalid-field");
    CHECK(early.at("field") == "time");
    auto const wrong =
        problem(client.post(path, R"({"kind": "polish", "air_percent": true})"), 422, "invalid-field");
    CHECK(wrong.at("field") == "kind");
    CHECK(wrong.at("errors").as_array().size() == 2);
}

TEST_CASE("a round sheet is answered row by row, and once under its key", "[api]") {
    Served served;
    Client client{served.port()};
    std::string const sheet = "time,probe,kind\nfirst\nbad\nagain\n", csv = "Content-Type: text/csv\r\n";
    auto const send = [&](std::string const& body, std::string const& more) {
        client.send("POST /v1/service-records HTTP/1.1\r\nHost: localhost\r\n" + csv + more +
                    "Content-Length: " + std::to_string(body.size()) + "\r\n\r\n" + body);
        return client.receive();
    };
    auto const reply = send(sheet, "Idempotency-Key: s1\r\n");
    CHECK(reply.status == 200);
    auto const answer = document(reply);
    CHECK(answer.at("rows") == 3);
    CHECK(answer.at("kept") == 1);
    CHECK(answer.at("repeated") == 1);
    CHECK(answer.at("refused") == 1);
    auto const& items = answer.at("items").as_array();
    REQUIRE(items.size() == 3);
    CHECK(items[0].at("result") == "kept");
    CHECK(items[0].at("record").at("probe") == "tank-1");
    CHECK(items[0].at("message").is_null());
    CHECK(items[1].at("line") == 3);
    CHECK(items[1].at("result") == "refused");
    CHECK(items[1].at("record").is_null());
    CHECK(items[1].at("message") == "column time: is empty");
    CHECK(items[2].at("result") == "repeated");
    auto const again = send(sheet, "Idempotency-Key: s1\r\n");
    CHECK(again.body == reply.body);
    CHECK(again.header("idempotency-replayed") == "true");
    CHECK(document(client.get("/v1/probes/tank-1/service-records")).at("items").as_array().size() == 2);
    problem(send("time,probe,kind\nother\n", "Idempotency-Key: s1\r\n"), 422, "key-reused");
}

TEST_CASE("a month's page prints by itself: it may style itself, and nothing else", "[api]") {
    Served served;
    Client client{served.port()};
    auto const page = client.get("/v1/sites/saltmarsh/report.html?month=2026-02");
    CHECK(page.status == 200);
    CHECK(page.header("content-type") == "text/html; charset=utf-8");
    CHECK(page.header("content-security-policy") ==
          "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'");
    CHECK(page.body.find("February 2026") != std::string::npos);
    auto const json = document(client.get("/v1/sites/saltmarsh/report?month=2026-02"));
    CHECK(json.at("month") == "2026-02");
    CHECK(json.at("probes").at(0).at("judged") == 0.0);
    CHECK(json.at("probes").at(0).at("time").at("unknown") == 1.0);
    auto const wrong = GENERATE("2026-13", "2026", "march", "2026-3", "2026-03-01", "2026-12");
    CAPTURE(wrong);
    auto const refused =
        problem(client.get(std::string{"/v1/sites/saltmarsh/report?month="} + wrong), 400, "bad-parameter");
    CHECK(refused.at("field") == "month");
    problem(client.get("/v1/sites/nosuch/report"), 404, "not-found");
}

TEST_CASE("a ticket is acknowledged and closed, and a step that does not fit says which do", "[api]") {
    Served served;
    Client client{served.port()};
    std::string const ticket = "/v1/tickets/saltmarsh-17";
    auto const first = document(client.post(ticket + "/acknowledge", R"({"by": "op", "note": "seen it"})"));
    CHECK(first.at("state") == "acknowledged");
    CHECK(first.at("history").as_array().back().at("note") == "seen it");
    auto const twice = problem(client.post(ticket + "/acknowledge", R"({"by": "op"})"), 409, "conflict");
    CHECK(twice.at("steps") == json::value{"plan", "postpone", "visit", "close"});
    auto const vague =
        problem(client.post(ticket + "/close", R"({"by": "op", "found": "dirt"})"), 422, "invalid-field");
    CHECK(vague.at("field") == "found");
    auto const nobody = problem(client.post(ticket + "/close", R"({"by": " ", "found": "not_looked"})"), 422,
                                "invalid-field");
    CHECK(nobody.at("field") == "by");
    auto const closed = document(client.post(ticket + "/close", R"({"by": "op", "found": "as_diagnosed"})"));
    CHECK(closed.at("state") == "closed");
    CHECK(closed.at("found") == "as_diagnosed");
    CHECK(document(client.get(ticket)) == closed);
    problem(client.post("/v1/tickets/saltmarsh-99/acknowledge", R"({"by": "op"})"), 404, "not-found");
}

TEST_CASE("a request with an idempotency key is done once", "[api]") {
    Served served;
    Client client{served.port()};
    std::string const path = "/v1/probes/tank-1/service-records";
    std::string const body = R"({"kind": "membrane_wipe"})", key = "Idempotency-Key: 7f3a\r\n";
    auto const first = client.post(path, body, key);
    auto const second = client.post(path, body, key);
    CHECK(first.status == 201);
    CHECK(second.status == 201);
    CHECK(second.body == first.body);
    CHECK(second.header("idempotency-replayed") == "true");
    CHECK(document(client.get(path)).at("items").as_array().size() == 1);
    problem(client.post(path, R"({"kind": "moved"})", key), 422, "key-reused");
    CHECK(client.post("/v1/probes/tank-2/service-records", body, key).status ==
          201);  // a key counts for one path
    // Refused by its header alone: the body stays unread and the connection ends with the answer.
    Client another{served.port()};
    problem(another.post(path, body, "Idempotency-Key: a b\r\n"), 400, "malformed-request");
    // What was refused changed nothing, so it may be tried again under its key.
    std::string const other = "Idempotency-Key: 8\r\n";
    served.estate.disk_full = true;
    auto const full = client.post(path, body, other);
    problem(full, 503, "unavailable");
    CHECK(full.header("retry-after") == "5");
    served.estate.disk_full = false;
    CHECK(client.post(path, body, other).status == 201);
}

TEST_CASE("an upload with an idempotency key is done once, whatever its body comes in", "[api]") {
    Served served;
    Client client{served.port()};
    std::string const body = "time,probe,do_mg_l,temperature_c\n2026-03-01T06:00:00Z,tank-2,7.1,12.0\n";
    std::string const headers = "Content-Type: text/csv\r\nIdempotency-Key: u\r\n";
    auto const send = [&](std::string const& text) {
        client.send("POST /v1/readings HTTP/1.1\r\nHost: localhost\r\n" + headers +
                    "Content-Length: " + std::to_string(text.size()) + "\r\n\r\n" + text);
        return client.receive();
    };
    auto const first = send(body), second = send(body);
    CHECK(first.status == 200);
    CHECK(second.body == first.body);
    CHECK(second.header("idempotency-replayed") == "true");
    CHECK(served.estate.uploads == 1);
    problem(send(body + body), 422, "key-reused");
    CHECK(document(client.get("/v1/changes")).at("items").as_array().size() ==
          1);  // what was done, not what was asked
}

TEST_CASE("an upload that cannot be kept is refused for now, and says nothing of where", "[api]") {
    probekeeper::api::Options options;
    options.spool_folder = "/nonexistent/secret";
    Served served{options};
    Client client{served.port()};
    std::string const body = "time,probe,do_mg_l\n";
    client.send(
        "POST /v1/readings HTTP/1.1\r\nHost: localhost\r\nContent-Type: text/csv\r\nContent-Length: " +
        std::to_string(body.size()) + "\r\n\r\n" + body);
    auto const reply = client.receive();
    problem(reply, 503, "unavailable");
    CHECK(reply.body.find("secret") == std::string::npos);
    CHECK(Client{served.port()}.get("/v1/health").status == 200);
}

TEST_CASE("a failure inside the daemon is 500 and tells nothing of it", "[api]") {
    Served served;
    served.estate.before_diagnosis = [] { throw std::runtime_error{"cannot read /var/lib/secret.db"}; };
    Client client{served.port()};
    auto const reply = client.get("/v1/probes/tank-1/diagnosis");
    problem(reply, 500, "internal");
    CHECK(reply.body.find("secret") == std::string::npos);
    CHECK(client.get("/v1/health").status == 200);
}

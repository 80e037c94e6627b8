// A week's round over HTTP: its papers, whose they are, and the steps that people take with it.
#include <boost/json/parse.hpp>
#include <boost/json/value.hpp>
#include <catch2/catch.hpp>

#include "api/client.h"
#include "api/estate.h"

namespace json = boost::json;

TEST_CASE("the papers of a round come as what they are, and a page may show itself", "[api][rounds]") {
    Served served;
    Client client{served.port()};
    auto const sheet = client.get("/v1/rounds/2026-W49.html");
    CHECK(sheet.status == 200);
    CHECK(sheet.header("content-type") == "text/html; charset=utf-8");
    CHECK(sheet.header("content-security-policy").find("style-src 'unsafe-inline'") != std::string::npos);
    CHECK(sheet.body.find("Saltmarsh &lt;hatchery&gt;") != std::string::npos);
    auto const calendar = client.get("/v1/rounds/2026-W49.ics");
    CHECK(calendar.header("content-type") == "text/calendar; charset=utf-8");
    CHECK(calendar.header("content-disposition") == "attachment; filename=\"2026-W49.ics\"");
    CHECK(calendar.body.starts_with("BEGIN:VCALENDAR\r\n"));
    auto const form = client.get("/v1/rounds/2026-W49.csv");
    CHECK(form.header("content-type") == "text/csv; charset=utf-8");
    CHECK(form.body.starts_with("time,probe,kind,"));
}

TEST_CASE("one technician's round holds the days on which he goes along", "[api][rounds]") {
    Served served;
    Client client{served.port()};
    auto const all = json::parse(client.get("/v1/rounds/2026-W49").body);
    CHECK(all.at("technicians").as_array().size() == 2);
    CHECK(all.at("technicians").at(1).at("days").as_array().empty());
    CHECK(all.at("technicians").at(1).at("joins").at(0).at("technician").as_string() == "t1");
    CHECK(all.at("planning").is_null());
    auto const second = json::parse(client.get("/v1/rounds/2026-W49?technician=t2").body);
    REQUIRE(second.at("technicians").as_array().size() == 1);
    auto const& day = second.at("technicians").at(0).at("days").at(0);
    CHECK(day.at("with").at(0).as_string() == "t1");
    CHECK(day.at("stops").at(0).at("site").as_string() == "saltmarsh");
    CHECK(client.get("/v1/rounds/2026-W49?technician=nobody").status == 400);
}

TEST_CASE("a week that there is not is not found, on paper neither", "[api][rounds]") {
    Served served;
    Client client{served.port()};
    for (auto const* path : {"/v1/rounds/2026-W54", "/v1/rounds/2025-W53", "/v1/rounds/2026-W00.html",
                             "/v1/rounds/2026-49", "/v1/rounds/2026-W49.pdf"}) {
        CAPTURE(path);
        CHECK(client.get(path).status == 404);
    }
    CHECK(client.get("/v1/rounds/2026-W53").status == 200);  // 2026 has 53 weeks
}

TEST_CASE("publishing says who did it, and a plan that takes long says how far it is", "[api][rounds]") {
    Served served;
    Client client{served.port()};
    auto const published = client.post("/v1/rounds/2026-W49/publish", R"({"by": "alice"})");
    CHECK(published.status == 200);
    CHECK(json::parse(published.body).at("revision").as_int64() == 1);
    CHECK(json::parse(client.post("/v1/rounds/2026-W49/publish", "{}").body).at("revision").as_int64() == 2);
    CHECK(client.post("/v1/rounds/2026-W49/publish", R"({"why": "x"})").status == 422);
    auto const replanned = client.post("/v1/rounds/2026-W49/replan", "{}");
    CHECK(replanned.status == 503);
    CHECK(replanned.header("retry-after") == "5");
    CHECK(replanned.body.find("40 % done") != std::string::npos);
}

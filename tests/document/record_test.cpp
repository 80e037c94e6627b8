#include "document/record.h"

#include <boost/json/parse.hpp>
#include <catch2/catch.hpp>

#include "document/write.h"

namespace json = boost::json;
using namespace probekeeper;

namespace {

Timestamp const now = parse_rfc3339("2026-03-01T06:00:00Z").value();

document::Parsed<service::Record> parsed(std::string_view text) {
    return document::parse_record(json::parse(text).as_object(), "tank-1", now);
}

// The only error: of which field, and what it says.
document::FieldError error_of(std::string_view text) {
    auto const result = parsed(text);
    REQUIRE_FALSE(result.has_value());
    REQUIRE(result.error().size() == 1);
    return result.error().front();
}

}  // namespace

TEST_CASE("a record needs its kind only; its time is then now", "[document]") {
    auto const record = parsed(R"({"kind": "membrane_change"})").value();
    CHECK(record.kind == service::Work::membrane_change);
    CHECK(record.time == now);
    CHECK(record.probe == "tank-1");
    CHECK_FALSE(record.air_percent);
}

TEST_CASE("every column of the CSV is a field of a record, and comes back as it was given", "[document]") {
    auto const record =
        parsed(R"({"time": "2026-02-27T09:30:00+01:00", "probe": "tank-1", "kind": "air_calibration",
        "dry_zero_mg_l": 0.02, "dry_zero_found_mg_l": 0.1234567, "air_percent": 103.5, "reference_mg_l": 8,
        "reference_percent": 98, "probe_mg_l": 7.9, "pressure_hpa": 1013.25, "serial": "GX-1", "visit": "v1",
        "by": "Technician", "note": "two\nlines"})");
    REQUIRE(record.has_value());
    CHECK(document::write(document::to_json(service::KeptRecord{17, *record, now, "wrong tank", "lead"})) ==
          R"({"record":17,"time":"2026-02-27T08:30:00.000Z","probe":"tank-1","kind":"air_calibration",)"
          R"("dry_zero_mg_l":0.02,"dry_zero_found_mg_l":0.1234567,"air_percent":103.5,"reference_mg_l":8.0,)"
          R"("reference_percent":98.0,"probe_mg_l":7.9,"pressure_hpa":1013.25,"serial":"GX-1","visit":"v1",)"
          R"("by":"Technician","note":"two\nlines",)"
          R"("voided":{"at":"2026-03-01T06:00:00.000Z","why":"wrong tank","by":"lead"}})");
}

TEST_CASE("absent and null mean the same in a record, both ways", "[document]") {
    auto const record =
        parsed(R"({"kind": "inspection", "time": null, "air_percent": null, "note": null})").value();
    CHECK(record.time == now);
    CHECK_FALSE(record.air_percent);
    auto const out = document::to_json(service::KeptRecord{1, record, {}, "", ""});
    CHECK(out.at("air_percent").is_null());
    CHECK(out.at("note").is_null());
    CHECK(out.at("voided").is_null());
}

TEST_CASE("a wrong field is told by its name, with what would be right", "[document]") {
    struct Case {
        std::string body, field, says;
    };
    auto const c = GENERATE(values<Case>({
        {R"({})", "kind", "is missing"},
        {R"({"kind": "membrane_swap"})", "kind", "did you mean membrane_"},
        {R"({"kind": 5})", "kind", "is a number"},
        {R"({"kind": "moved", "air_percent": "100"})", "air_percent", "is a text, and must be a number"},
        {R"({"kind": "moved", "air_percent": 401})", "air_percent", "must lie in 0..400"},
        {R"({"kind": "moved", "pressure_hpa": 101325})", "pressure_hpa", "must lie in 500..1100"},
        {R"({"kind": "moved", "reference_mg_l": -1})", "reference_mg_l", "must lie in 0..60"},
        {R"({"kind": "moved", "time": "yesterday"})", "time", "RFC 3339"},
        {R"({"kind": "moved", "time": 1772344800000})", "time", "RFC 3339"},
        {R"({"kind": "moved", "time": "2026-02-30T00:00:00Z"})", "time", "RFC 3339"},
        {R"({"kind": "moved", "air_percnt": 100})", "air_percnt", "did you mean air_percent?"},
        {R"({"kind": "moved", "zzzzzzzzzzzzz": 100})", "zzzzzzzzzzzzz", "known are time, probe, kind"},
        {R"({"kind": "moved", "probe": "tank-2"})", "probe", "the address names `tank-1`"},
        {R"({"kind": "moved", "by": ["a"]})", "by", "is a list, and must be a text"},
        {R"({"kind": "moved", "note": "bell \u0007"})", "note", "control characters"},
        {R"({"kind": "moved", "note": "nul \u0000"})", "note", "control characters"},
    }));
    CAPTURE(c.body);
    auto const error = error_of(c.body);
    CHECK(error.field == c.field);
    CHECK_THAT(error.message, Catch::Contains(c.says));
}

TEST_CASE("all wrong fields of a record are told at once, but a flood of them is cut", "[document]") {
    CHECK(parsed(R"({"kind": "x", "time": "y", "air_percent": "z"})").error().size() == 3);
    json::object flood{{"kind", "moved"}};
    for (int i = 0; i < 500; ++i) {
        flood["unknown_" + std::to_string(i)] = i;
    }
    CHECK(document::parse_record(flood, "tank-1", now).error().size() == 20);
}

TEST_CASE("a text of a record may have 4000 bytes and no more", "[document]") {
    json::object body{{"kind", "inspection"}, {"note", std::string(4000, 'n')}};
    CHECK(document::parse_record(body, "tank-1", now).has_value());
    body["note"] = std::string(4001, 'n');
    CHECK(document::parse_record(body, "tank-1", now).has_error());
}

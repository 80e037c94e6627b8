#include "intake/service_csv.h"

#include <catch2/catch.hpp>
#include <sstream>

#include "small_fleet.h"

namespace probekeeper::intake {
namespace {

using Catch::Contains;

struct Result {
    std::vector<service::Record> records;
    std::vector<std::string> bad;
};

Result read(std::string text, std::uint64_t max_bad_rows = 1000) {
    auto const fleet = small_fleet();
    Result result;
    result.records =
        read_service_csv(std::make_unique<std::istringstream>(std::move(text)), fleet,
                         {max_bad_rows, [&](BadRow const& row) { result.bad.push_back(to_line(row)); }});
    return result;
}

TEST_CASE("every column of a service record is read", "[intake]") {
    auto const result = read(
        "note,time,probe,kind,dry_zero_mg_l,dry_zero_found_mg_l,air_percent,reference_mg_l,reference_percent,"
        "probe_mg_l,pressure_hpa,serial,visit,by\r\n"
        "\"old "
        "cap,\nwrinkled\",2026-03-01T09:10:00+01:00,tank-1,membrane_change,0.02,-0.4,96.5,8.1,99,7.9,1009.5,"
        "GX-0417,v12,j.doe\r\n");
    CHECK(result.bad.empty());
    REQUIRE(result.records.size() == 1);
    auto const& record = result.records[0];
    CHECK(to_rfc3339(record.time) == "2026-03-01T08:10:00.000Z");
    CHECK(record.probe == "tank-1");
    CHECK(record.kind == service::Work::membrane_change);
    CHECK(record.dry_zero_mg_l == 0.02);
    CHECK(record.dry_zero_found_mg_l == -0.4);
    CHECK(record.air_percent == 96.5);
    CHECK(record.reference_mg_l == 8.1);
    CHECK(record.reference_percent == 99.0);
    CHECK(record.probe_mg_l == 7.9);
    CHECK(record.pressure_hpa == 1009.5);
    CHECK(record.serial == "GX-0417");
    CHECK(record.visit == "v12");
    CHECK(record.by == "j.doe");
    CHECK(record.note == "old cap,\nwrinkled");
}

TEST_CASE("records may come in any order of time and keep the order of the file", "[intake]") {
    auto const result = read("time,probe,kind\n2000,tank-2,moved\n1000,tank-1,inspection\n");
    REQUIRE(result.records.size() == 2);
    CHECK(result.records[0].kind == service::Work::moved);
    CHECK(result.records[1].kind == service::Work::inspection);
    CHECK_FALSE(result.records[0].air_percent);
}

TEST_CASE("a cell protected from a spreadsheet loses its protection", "[intake]") {
    auto const result = read(
        "time,probe,kind,dry_zero_mg_l,note\n1000,tank-1,inspection,'-0.02,'=see log\n"
        "2000,tank-1,inspection,,'quoted'\n");
    REQUIRE(result.records.size() == 2);
    CHECK(result.records[0].dry_zero_mg_l == -0.02);
    CHECK(result.records[0].note == "=see log");
    CHECK(result.records[1].note == "'quoted'");
}

TEST_CASE("a service row that cannot be used is told by line and column", "[intake]") {
    auto const result = read(
        "time,probe,kind,air_percent,pressure_hpa\n"
        "1000,tank-1,membrane_chance,,\n"
        "1000,tank1,moved,,\n"
        "never,tank-1,moved,,\n"
        "1000,tank-1,moved,1e999,\n"
        "1000,tank-1,moved,950,\n"
        "1000,tank-1,moved,,1.013\n"
        "1000,tank-1,,,\n"
        "1000,tank-1,moved,99,1013\n");
    CHECK(result.records.size() == 1);
    REQUIRE(result.bad.size() == 7);
    CHECK_THAT(result.bad[0],
               Contains("line 2: column kind: `membrane_chance` is no kind of work, did you mean "
                        "membrane_change?; known are membrane_change, membrane_wipe"));
    CHECK(result.bad[1] ==
          "line 3: column probe: `tank1` is no probe of the configuration; did you mean tank-1?");
    CHECK_THAT(result.bad[2], Contains("line 4: column time"));
    CHECK(result.bad[3] == "line 5: column air_percent: `1e999` is not a number");
    CHECK(result.bad[4] == "line 6: column air_percent: `950` does not lie in 0..400");
    CHECK(result.bad[5] == "line 7: column pressure_hpa: `1.013` does not lie in 500..1100");
    CHECK_THAT(result.bad[6], Contains("line 8: column kind"));
}

TEST_CASE("a service file without its columns, or with too many bad rows, is refused", "[intake]") {
    CHECK_THROWS_WITH(read("time,probe\n"), Contains("column kind is missing"));
    CHECK_THROWS_WITH(read("time,probe,kind,air_persent\n"), Contains("did you mean air_percent?"));
    CHECK_THROWS_AS(read("time,probe,kind\nx,tank-1,moved\n", 0), TooManyBadRows);
}

TEST_CASE("columns that only people read are left out, and so are those that a spreadsheet adds",
          "[intake]") {
    auto const result = read(
        "week,site,time,probe,location,kind,why_now,air_percent,,\n"
        "2026-W49,saltmarsh,1000,tank-1,\"inlet, left\",air_calibration,slow,104,,\n"
        "2026-W49,saltmarsh,2000,tank-1,inlet,inspection,slow,,,read 104\n");
    REQUIRE(result.records.size() == 1);
    CHECK(result.records[0].air_percent == 104.0);
    REQUIRE(result.bad.size() == 1);
    CHECK_THAT(result.bad[0], Contains("line 3: `read 104` stands in a column without a name"));
}

TEST_CASE("a row of a round sheet that nobody dated is told so", "[intake]") {
    auto const result = read("time,probe,kind\n,tank-1,membrane_change\n");
    REQUIRE(result.bad.size() == 1);
    CHECK_THAT(result.bad[0], Contains("line 2: column time: is empty") && Contains("2026-03-01T06:00:00Z"));
}

}  // namespace
}  // namespace probekeeper::intake

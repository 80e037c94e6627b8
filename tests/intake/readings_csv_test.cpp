#include "intake/readings_csv.h"

#include <spdlog/fmt/fmt.h>

#include <unistd.h>
#include <algorithm>
#include <catch2/catch.hpp>
#include <fstream>
#include <random>

#include "small_fleet.h"

namespace probekeeper::intake {
namespace {

using Catch::Contains;

struct Result {
    std::vector<Row> rows;
    std::vector<std::string> bad;
    ReadingsCsv::Counts counts;
};

Result read(std::string text, std::uint64_t max_bad_rows = 1000) {
    auto const fleet = small_fleet();
    Result result;
    auto reader = ReadingsCsv::from_text(std::move(text), fleet, {max_bad_rows, [&](BadRow const& row) {
                                                                      result.bad.push_back(to_line(row));
                                                                  }});
    while (auto const row = reader.next()) {
        result.rows.push_back(*row);
    }
    result.counts = reader.counts();
    return result;
}

std::string error_of(std::string const& text) {
    auto const fleet = small_fleet();
    try {
        auto const reader = ReadingsCsv::from_text(text, fleet);
    } catch (CsvError const& error) {
        return error.what();
    }
    return {};
}

TEST_CASE("columns may stand in any order", "[intake]") {
    auto const result = read(
        "hold,do_mg_l,probe,airflow,time,temperature_c,aeration,salinity_psu,pressure_hpa,cleaning,fault\n"
        "0,7.25,tank-1,120,2026-03-01T06:00:00Z,14.5,1,30,1001,,0\n");
    REQUIRE(result.rows.size() == 1);
    CHECK(result.rows[0].probe == 2);
    auto const& reading = result.rows[0].reading;
    CHECK(to_rfc3339(reading.time) == "2026-03-01T06:00:00.000Z");
    CHECK(reading.do_mg_l == 7.25);
    CHECK(reading.temperature_c == 14.5);
    CHECK(reading.airflow == 120);
    CHECK(reading.salinity_psu == 30);
    CHECK(reading.pressure_hpa == 1001);
    CHECK(reading.known == (mark_aeration | mark_hold | mark_fault));
    CHECK(reading.marks == mark_aeration);
}

TEST_CASE("an empty cell is 'not read'", "[intake]") {
    auto const result = read("time,probe,do_mg_l,temperature_c,hold\n2026-03-01T06:00:00Z,tank-1,,,\n");
    REQUIRE(result.rows.size() == 1);
    auto const& reading = result.rows[0].reading;
    CHECK_FALSE(is_read(reading.do_mg_l));
    CHECK_FALSE(is_read(reading.temperature_c));
    CHECK(reading.known == 0);
}

TEST_CASE("readings come completed", "[intake]") {
    auto const result = read("time,probe,do_percent,temperature_c\n2026-03-01T06:00:00Z,tank-1,50,20\n");
    REQUIRE(result.rows.size() == 1);
    CHECK(result.rows[0].reading.do_mg_l == Approx(9.0924 / 2).margin(5e-5));  // Benson and Krause 1984
}

TEST_CASE("Unix milliseconds, quotes, CRLF and a byte order mark are tolerated", "[intake]") {
    auto const result = read(
        "\xEF\xBB\xBF"
        "time,probe,do_mg_l\r\n1772344800000,\"tank-1\", 7.5 \r\n");
    REQUIRE(result.rows.size() == 1);
    CHECK(to_rfc3339(result.rows[0].reading.time) == "2026-03-01T06:00:00.000Z");
    CHECK(result.rows[0].reading.do_mg_l == 7.5);
    CHECK(result.bad.empty());
}

TEST_CASE("a header row that cannot be used is refused with what would be right", "[intake]") {
    CHECK_THAT(error_of(""), Contains("empty"));
    CHECK_THAT(
        error_of("time,probe,do_mg_l,temprature_c\n"),
        Contains("column `temprature_c` is not known, did you mean temperature_c?; known are time, probe,"));
    CHECK_THAT(error_of("time,do_mg_l\n"), Contains("column probe is missing"));
    CHECK_THAT(error_of("probe,do_mg_l\n"), Contains("column time is missing"));
    CHECK_THAT(error_of("time,probe,do_mg_l,time\n"), Contains("column time stands twice"));
    CHECK_THAT(error_of("time,probe,temperature_c\n"),
               Contains("exactly one of do_mg_l, do_percent and po2_hpa"));
    CHECK_THAT(error_of("time,probe,do_mg_l,po2_hpa\n"), Contains("not several"));
    CHECK_THAT(error_of("time;probe;do_mg_l\n"), Contains("separated by commas"));
}

TEST_CASE("a bad row is told by line and column, counted and skipped", "[intake]") {
    auto const result = read(
        "time,probe,do_mg_l,temperature_c,hold\n"
        "2026-03-01T06:00:00Z,tank-1,7.5,abc,0\n"
        "2026-03-01T06:00:00Z,tank-3,7.5,14,0\n"
        "yesterday,tank-1,7.5,14,0\n"
        "2026-03-01T06:00:00Z,tank-1,7.5,14,yes\n"
        "2026-03-01T06:00:00Z,tank-1,7.5\n"
        "2026-03-01T06:00:00Z,tank-1,nan,14,0\n"
        "2026-03-01T06:00:00Z,tank-1,7.5,14,0\n");
    CHECK(result.rows.size() == 1);
    REQUIRE(result.bad.size() == 6);
    CHECK(result.bad[0] == "line 2: column temperature_c: `abc` is not a number");
    CHECK(result.bad[1] ==
          "line 3: column probe: `tank-3` is no probe of the configuration; did you mean tank-1?");
    CHECK_THAT(result.bad[2], Contains("line 4: column time: `yesterday` is neither an RFC 3339 time"));
    CHECK(result.bad[3] == "line 5: column hold: `yes` is not 0 or 1");
    CHECK(result.bad[4] == "line 6: has 3 cells, the header row has 5");
    CHECK(result.bad[5] == "line 7: column do_mg_l: `nan` is not a number");
    CHECK(result.counts.rows == 7);
    CHECK(result.counts.bad == 6);
}

TEST_CASE("one bad row more than allowed stops the reader", "[intake]") {
    std::string text = "time,probe,do_mg_l\n";
    for (int i = 0; i < 3; ++i) {
        text += "x,tank-1,1\n";
    }
    CHECK(read(text, 3).counts.bad == 3);
    CHECK_THROWS_AS(read(text, 2), TooManyBadRows);
}

TEST_CASE("an exact repeat is dropped and counted, another value at the same time is bad", "[intake]") {
    auto const result = read(
        "time,probe,do_mg_l,temperature_c\n"
        "2026-03-01T06:00:00Z,tank-1,7.5,\n"
        "2026-03-01T06:00:00Z,tank-2,7.5,\n"
        "2026-03-01T06:00:00Z,tank-1,7.50,\n"
        "2026-03-01T06:00:00Z,tank-1,7.6,\n"
        "2026-03-01T06:00:00Z,tank-1,7.5,14\n"
        "2026-03-01T06:00:00.000Z,tank-1,7.5,\n");
    CHECK(result.rows.size() == 2);
    CHECK(result.counts.repeated == 2);
    REQUIRE(result.bad.size() == 2);
    CHECK(result.bad[0] == "line 5: says something else of tank-1 at 2026-03-01T06:00:00.000Z than line 2");
    CHECK_THAT(result.bad[1], Contains("line 6:"));
}

TEST_CASE("a row may come five minutes late and no later", "[intake]") {
    auto const result = read(
        "time,probe,do_mg_l\n"
        "2026-03-01T06:05:00.000Z,tank-1,1\n"
        "2026-03-01T06:00:00.000Z,tank-1,2\n"
        "2026-03-01T05:59:59.999Z,tank-1,3\n"
        "2026-03-01T06:04:00.000Z,tank-2,4\n");
    REQUIRE(result.rows.size() == 3);
    CHECK(result.rows[0].reading.do_mg_l == 2);
    CHECK(result.rows[1].reading.do_mg_l == 4);
    CHECK(result.rows[2].reading.do_mg_l == 1);
    REQUIRE(result.bad.size() == 1);
    CHECK(result.bad[0] ==
          "line 4: column time: 2026-03-01T05:59:59.999Z is more than five minutes behind "
          "2026-03-01T06:05:00.000Z of line 2");
}

TEST_CASE("rows of the same time come in the order of their probes", "[intake]") {
    auto const result =
        read("time,probe,do_mg_l\n1000,tank-2,4\n1000,basin-2,2\n1000,tank-1,3\n1000,basin-1,1\n");
    REQUIRE(result.rows.size() == 4);
    for (std::size_t i = 0; i < 4; ++i) {
        CHECK(result.rows[i].probe == i);
    }
}

TEST_CASE("rows shuffled within five minutes come out as if they had been sorted", "[intake]") {
    auto const seed = GENERATE(1U, 2U, 3U);
    auto const step_ms = GENERATE(500, 5'000, 290'000, 900'000);
    CAPTURE(seed, step_ms);
    struct Line {
        std::int64_t time_ms, late_ms;
        std::uint32_t probe;
    };
    auto const fleet = small_fleet();
    std::mt19937 random{seed};
    std::uniform_int_distribution<std::int64_t> late{0, 300'000};
    std::vector<Line> lines;
    for (std::int64_t i = 0; i < 5'000; ++i) {
        for (std::uint32_t probe = 0; probe < 4; ++probe) {
            auto const time_ms = 1'772'344'800'000 + i * step_ms;
            lines.push_back({time_ms, time_ms + late(random), probe});
        }
    }
    // A row is written when it is `late`, so it follows none that is more than five minutes newer.
    auto shuffled = lines;
    std::stable_sort(shuffled.begin(), shuffled.end(),
                     [](Line const& a, Line const& b) { return a.late_ms < b.late_ms; });
    std::string text = "time,probe,do_mg_l\n";
    for (auto const& line : shuffled) {
        text += fmt::format("{},{},{}\n", line.time_ms, fleet.probes[line.probe].id, line.late_ms % 1000);
    }
    auto const result = read(text, 0);
    REQUIRE(result.rows.size() == lines.size());
    bool same = true;
    for (std::size_t i = 0; i < lines.size(); ++i) {
        same = same && to_unix_ms(result.rows[i].reading.time) == lines[i].time_ms &&
               result.rows[i].probe == lines[i].probe &&
               result.rows[i].reading.do_mg_l == static_cast<double>(lines[i].late_ms % 1000);
    }
    CHECK(same);
}

TEST_CASE("a file tells how far it has been read", "[intake]") {
    auto const file = std::filesystem::temp_directory_path() / fmt::format("readings-{}.csv", ::getpid());
    std::ofstream{file} << "time,probe,do_mg_l\n1000,tank-1,7\n";
    auto const fleet = small_fleet();
    {
        ReadingsCsv reader{file, fleet};
        CHECK(reader.bytes_total() == 33);
        while (reader.next()) {
        }
        CHECK(reader.bytes_read() == reader.bytes_total());
    }
    std::filesystem::remove(file);
    CHECK_THROWS_AS((ReadingsCsv{file, fleet}), CsvError);
    CHECK_THROWS_AS((ReadingsCsv{std::filesystem::temp_directory_path(), fleet}), CsvError);
}

TEST_CASE("a text cut anywhere is read without harm", "[intake]") {
    std::string const text =
        "time,probe,do_mg_l,hold\r\n2026-03-01T06:00:00Z,\"tank-1\",7.5,0\r\n1772344805000,tank-2,\"7\","
        "1\r\n";
    for (std::size_t length = text.find('\n') + 1; length <= text.size(); ++length) {
        auto const result = read(text.substr(0, length));
        CHECK(result.rows.size() + result.bad.size() == result.counts.rows);
    }
}

}  // namespace
}  // namespace probekeeper::intake

#include "intake/time_cells.h"

#include <catch2/catch.hpp>
#include <random>

namespace probekeeper::intake {
namespace {

TEST_CASE("the quick way reads every form of a time as the plain way does", "[intake]") {
    TimeCells quick;
    for (auto const* text : {"2026-03-01T06:00:00Z",
                             "2026-03-01T06:00:05.250Z",
                             "2026-03-01T06:00:05.25Z",
                             "2026-03-01t06:00:00z",
                             "2026-03-01T06:00:60Z",
                             "2026-03-01T06:00:00+01:00",
                             "2026-03-01T24:00:00Z",
                             "2026-03-01T06:60:00Z",
                             "2026-03-01T06:00:00.12aZ",
                             "2026-03-01T06:00:00.:00Z",
                             "2026-03-01 06:00:00Z",
                             "2026-03-01",
                             "2026-02-29T06:00:00Z",
                             "2026-03-01T06:00:00",
                             "1772344800000",
                             "-5",
                             "",
                             "x",
                             "2026-03-01T06:00:0/Z",
                             "2026-03-01T06:00:00.000Z",
                             "2026-03-02T00:00:00.001Z"}) {
        CAPTURE(text);
        CHECK(quick.parse(text) == parse_time_cell(text));
    }
}

TEST_CASE("random instants come back to the millisecond", "[intake]") {
    TimeCells quick;
    std::mt19937_64 random{7};  // NOLINT(bugprone-random-generator-seed) a repeatable test
    std::uniform_int_distribution<std::int64_t> any{-62'000'000'000'000, 253'000'000'000'000};
    for (int i = 0; i < 10'000; ++i) {
        auto const time = from_unix_ms(any(random));
        REQUIRE(quick.parse(to_rfc3339(time)) == time);
        REQUIRE(quick.parse(to_rfc3339(time + Millis{7'777})) == time + Millis{7'777});
    }
}

TEST_CASE("an instant that cannot be written back is none", "[intake]") {
    TimeCells quick;
    CHECK_FALSE(quick.parse("9223372036854775807"));
    CHECK_FALSE(quick.parse("253402300800000"));  // the year 10000
    CHECK(quick.parse("253402300799999"));
    CHECK_FALSE(quick.parse("-62167219200001"));  // before the year 0
}

}  // namespace
}  // namespace probekeeper::intake

#include "base/date.h"

#include <catch2/catch.hpp>

using namespace probekeeper;

TEST_CASE("a date is read as it is written", "[base][date]") {
    auto const date = parse_date("2026-03-01");
    REQUIRE(date);
    CHECK(*date == std::chrono::year{2026} / 3 / 1);
    CHECK(to_text(*date) == "2026-03-01");
    CHECK(parse_date("2024-02-29"));
}

TEST_CASE("what is no day of the calendar is no date", "[base][date]") {
    auto const text = GENERATE("2026-02-29", "2026-13-01", "2026-00-01", "2026-01-32", "2026-3-1",
                               "2026-03-01T00:00:00Z", "2026/03/01", "-026-03-01", "2026-+3-01", "");
    CAPTURE(text);
    CHECK_FALSE(parse_date(text));
}

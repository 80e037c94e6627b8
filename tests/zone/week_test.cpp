#include "zone/week.h"

#include <catch2/catch.hpp>

namespace probekeeper::zone {
namespace {

using namespace std::chrono;
using namespace std::chrono_literals;

TEST_CASE("a week begins on its Monday, by ISO 8601", "[week]") {
    CHECK(monday_of({2026, 49}) == sys_days{2026y / 11 / 30});
    CHECK(monday_of({2026, 1}) == sys_days{2025y / 12 / 29});
    CHECK(monday_of({2026, 53}) == sys_days{2026y / 12 / 28});
    CHECK(monday_of({2021, 1}) == sys_days{2021y / 1 / 4});
    CHECK(monday_of({2020, 53}) == sys_days{2020y / 12 / 28});
}

TEST_CASE("the first days of January may belong to a week of the year before", "[week]") {
    CHECK(week_of(sys_days{2027y / 1 / 3}) == Week{2026, 53});
    CHECK(week_of(sys_days{2027y / 1 / 4}) == Week{2027, 1});
    CHECK(week_of(sys_days{2021y / 1 / 1}) == Week{2020, 53});
    CHECK(week_of(sys_days{2024y / 12 / 30}) == Week{2025, 1});
}

TEST_CASE("every day of four centuries lies in its week, and weeks follow each other without a gap",
          "[week]") {
    auto last = week_of(sys_days{1999y / 12 / 31});
    for (sys_days day = 2000y / 1 / 1; day < sys_days{2400y / 1 / 1}; day += days{1}) {
        auto const week = week_of(day);
        auto const in_week = (day - monday_of(week)).count();
        if (in_week < 0 || in_week > 6 || week < last || parse_week(to_text(week)) != week) {
            FAIL("wrong on day " << day.time_since_epoch().count());
        }
        last = week;
    }
}

TEST_CASE("71 years of 400 have a 53rd week", "[week]") {
    int long_years = 0;
    for (int y = 2000; y < 2400; ++y) {
        long_years += weeks_in(y) == 53 ? 1 : 0;
    }
    CHECK(long_years == 71);
    CHECK(weeks_in(2026) == 53);
    CHECK(weeks_in(2027) == 52);
}

TEST_CASE("a week is written and read in one form only", "[week]") {
    CHECK(parse_week("2026-W49") == Week{2026, 49});
    CHECK(to_text({2026, 5}) == "2026-W05");
    for (auto const* wrong :
         {"2026-W54", "2027-W53", "2026-W00", "2026-W5", "2026W49", "2026-w49", "2026-W4x", "-026-W49",
          "2026-W+9", "0000-W01", "1969-W01", " 2026-W49", "2026-W490", ""}) {
        CAPTURE(wrong);
        CHECK_FALSE(parse_week(wrong));
    }
}

}  // namespace
}  // namespace probekeeper::zone

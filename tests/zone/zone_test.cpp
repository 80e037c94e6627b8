#include "zone/zone.h"

#include <catch2/catch.hpp>

namespace probekeeper::zone {
namespace {

using namespace std::chrono;
using namespace std::chrono_literals;

LocalTime local(int y, unsigned m, unsigned d, int hour, int minute, int second = 0) {
    return LocalTime{local_days{year{y} / month{m} / day{d}} + hours{hour} + minutes{minute} +
                     std::chrono::seconds{second}};
}

Timestamp unix_s(std::int64_t s) {
    return from_unix_ms(s * 1000);
}

struct Known {
    char const* zone;
    LocalTime shown;
    std::int64_t unix_s;
};

// Made by Python 3.11's zoneinfo: int(datetime(..., tzinfo=ZoneInfo(zone)).timestamp()).
Known const plain[] = {
    {"Europe/London", local(2026, 3, 29, 0, 59, 59), 1774745999},
    {"Europe/London", local(2026, 3, 29, 2, 0), 1774746000},
    {"Europe/London", local(2026, 10, 25, 0, 59, 59), 1792886399},
    {"Europe/London", local(2026, 10, 25, 2, 0), 1792893600},
    {"Europe/London", local(2045, 7, 3, 8, 0), 2382678000},
    {"Europe/Dublin", local(2026, 1, 15, 9, 0), 1768467600},
    {"Europe/Berlin", local(1999, 12, 31, 23, 59, 59), 946681199},
    {"Asia/Kathmandu", local(2026, 6, 1, 8, 0), 1780280100},
    {"UTC", local(2026, 2, 28, 12, 0), 1772280000},
};

TEST_CASE("a time on the wall is the instant that another implementation gives, and back again", "[zone]") {
    for (auto const& known : plain) {
        CAPTURE(known.zone, known.unix_s);
        auto const zone = Zone::find(known.zone);
        REQUIRE(zone);
        CHECK(to_unix_ms(zone->to_utc(known.shown)) == known.unix_s * 1000);
        CHECK(zone->to_local(unix_s(known.unix_s)) == known.shown);
    }
}

TEST_CASE("a time that clocks leave out is counted on from before the change", "[zone]") {
    Known const left_out[] = {
        {"Europe/London", local(2026, 3, 29, 1, 30), 1774747800},
        {"America/New_York", local(2026, 3, 8, 2, 30), 1772955000},
        {"Australia/Lord_Howe", local(2026, 10, 4, 2, 15), 1791042300},
        {"Pacific/Apia", local(2011, 12, 30, 12, 0), 1325282400},  // a whole day left out
    };
    for (auto const& known : left_out) {
        CAPTURE(known.zone);
        auto const zone = Zone::find(known.zone);
        REQUIRE(zone);
        CHECK(to_unix_ms(zone->to_utc(known.shown)) == known.unix_s * 1000);
        CHECK(zone->to_local(unix_s(known.unix_s)) > known.shown);
    }
}

TEST_CASE("a time that clocks show twice is its first", "[zone]") {
    Known const twice[] = {
        {"Europe/London", local(2026, 10, 25, 1, 30), 1792888200},
        {"America/New_York", local(2026, 11, 1, 1, 30), 1793511000},
        {"Australia/Lord_Howe", local(2026, 4, 5, 1, 45), 1775313900},
    };
    for (auto const& known : twice) {
        CAPTURE(known.zone);
        auto const zone = Zone::find(known.zone);
        REQUIRE(zone);
        CHECK(to_unix_ms(zone->to_utc(known.shown)) == known.unix_s * 1000);
    }
}

TEST_CASE("a day of 23 hours and one of 25 begin and end where people's days do", "[zone]") {
    auto const zone = *Zone::find("Europe/London");
    auto const start = [&](unsigned m, unsigned d) { return zone.start_of(2026y / month{m} / day{d}); };
    CHECK(start(3, 30) - start(3, 29) == 23h);
    CHECK(start(10, 26) - start(10, 25) == 25h);
    CHECK(start(6, 2) - start(6, 1) == 24h);
    CHECK(zone.day_of(start(3, 29)) == 2026y / 3 / 29);
    CHECK(zone.day_of(start(3, 29) - 1ms) == 2026y / 3 / 28);
}

TEST_CASE("a day whose midnight is left out begins with the change", "[zone]") {
    auto const zone = *Zone::find("America/Santiago");
    auto const start = zone.start_of(2026y / 9 / 6);
    CHECK(to_unix_ms(start) == 1788667200LL * 1000);
    CHECK(zone.to_local(start) == local(2026, 9, 6, 1, 0));
    CHECK(zone.day_of(start - 1ms) == 2026y / 9 / 5);
}

TEST_CASE("milliseconds go through, before 1970 too", "[zone]") {
    auto const zone = *Zone::find("Asia/Kathmandu");
    auto const t = from_unix_ms(GENERATE(-1LL, -86'400'001LL, 1780280100123LL));
    CHECK(zone.to_utc(zone.to_local(t)) == t);
}

TEST_CASE("the offset is that of the instant", "[zone]") {
    auto const zone = *Zone::find("Europe/London");
    CHECK(zone.offset_at(unix_s(1774745999)) == 0s);
    CHECK(zone.offset_at(unix_s(1774746000)) == 3600s);
    CHECK(Zone::utc().offset_at(unix_s(1774746000)) == 0s);
}

TEST_CASE("a zone that does not exist is not found, and UTC always is", "[zone]") {
    CHECK_FALSE(Zone::find("Europe/Nowhere"));
    CHECK_FALSE(Zone::find(""));
    REQUIRE(Zone::find("UTC"));
    CHECK(Zone::find("Europe/London")->name() == "Europe/London");
}

}  // namespace
}  // namespace probekeeper::zone

#include "base/time.h"

#include <catch2/catch.hpp>

using namespace probekeeper;

TEST_CASE("RFC 3339 examples parse to their published instants", "[base][time]") {
    // RFC 3339 section 5.8 examples; epochs recomputed.
    CHECK(to_unix_ms(parse_rfc3339("1985-04-12T23:20:50.52Z").value()) == 482'196'050'520);
    CHECK(to_unix_ms(parse_rfc3339("1996-12-19T16:39:57-08:00").value()) == 851'042'397'000);
    CHECK(parse_rfc3339("1990-12-31T23:59:60Z") == parse_rfc3339("1991-01-01T00:00:00Z"));
    CHECK(parse_rfc3339("1990-12-31T15:59:60-08:00") == parse_rfc3339("1991-01-01T00:00:00Z"));
    CHECK(to_unix_ms(parse_rfc3339("1937-01-01T12:00:27.87+00:20").value()) == -1'041'337'172'130);
    CHECK(to_unix_ms(parse_rfc3339("2024-02-29T12:34:56.789+05:30").value()) == 1'709'190'296'789);
    CHECK(parse_rfc3339("2024-02-29t00:00:00z").has_value());
}

TEST_CASE("text that is no RFC 3339 instant is refused", "[base][time]") {
    auto const* const text = GENERATE("2023-02-29T00:00:00Z", "2024-01-01T24:00:00Z", "2024-01-01T00:00:00",
                                      "2024-01-01 00:00:00Z", "2024-1-1T00:00:00Z", "2024-01-01T00:00:00.Z",
                                      "2024-01-01T00:00:00Zx", "2024-01-01T00:60:00Z", "", "now");
    CAPTURE(text);
    CHECK_FALSE(parse_rfc3339(text).has_value());
}

TEST_CASE("an instant is written with milliseconds, before 1970 too", "[base][time]") {
    CHECK(to_rfc3339(from_unix_ms(1'709'190'296'789)) == "2024-02-29T07:04:56.789Z");
    CHECK(to_rfc3339(from_unix_ms(-1)) == "1969-12-31T23:59:59.999Z");
    CHECK(parse_rfc3339(to_rfc3339(from_unix_ms(1'772'344'800'001))) == from_unix_ms(1'772'344'800'001));
}

TEST_CASE("a time cell may be RFC 3339 or Unix milliseconds", "[base][time]") {
    CHECK(parse_time_cell("1772344800000") == parse_time_cell("2026-03-01T06:00:00Z"));
    CHECK_FALSE(parse_time_cell("1772344800000.5").has_value());
}

// Instants in milliseconds UTC, and their two written forms. There is no clock here: a time comes from a
// reading, or from whoever stands at the edge and owns a clock.
#pragma once

#include <chrono>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace probekeeper {

using Timestamp = std::chrono::sys_time<std::chrono::milliseconds>;
using Millis = std::chrono::milliseconds;

// Milliseconds since 1970-01-01T00:00:00Z, as stored and as CSV may carry them.
[[nodiscard]] constexpr std::int64_t to_unix_ms(Timestamp t) {
    return t.time_since_epoch().count();
}
[[nodiscard]] constexpr Timestamp from_unix_ms(std::int64_t ms) {
    return Timestamp{Millis{ms}};
}

// Seconds between two instants, as a double: what physics and fits work in.
[[nodiscard]] constexpr double seconds_between(Timestamp from, Timestamp to) {
    return static_cast<double>((to - from).count()) / 1000.0;
}
[[nodiscard]] constexpr Millis seconds(double s) {
    return Millis{static_cast<std::int64_t>(s * 1000.0)};
}
[[nodiscard]] constexpr Millis days(double d) {
    return seconds(d * 86'400.0);
}

// "2026-03-01T06:00:00.000Z". Always UTC, always three decimals; years 0000 to 9999.
[[nodiscard]] std::string to_rfc3339(Timestamp t);

// RFC 3339 with any offset, lower-case t and z allowed, fractions cut to milliseconds; a leap second (:60) is
// taken as the first instant of the next minute. Empty on anything else: an impossible date, a missing
// offset.
[[nodiscard]] std::optional<Timestamp> parse_rfc3339(std::string_view text);

// A CSV time cell: RFC 3339, or an integer of Unix milliseconds.
[[nodiscard]] std::optional<Timestamp> parse_time_cell(std::string_view text);

}  // namespace probekeeper

// Weeks of ISO 8601: they begin on Monday, and week 1 is the one with the year's first Thursday. A year has
// 52 or 53, and the first days of January may belong to the last week of the year before.
#pragma once

#include <chrono>
#include <optional>
#include <string>
#include <string_view>

namespace probekeeper::zone {

struct Week {
    int year = 1970;      // of the week, which is that of its Thursday
    unsigned number = 1;  // 1..53
    friend bool operator==(Week const&, Week const&) = default;
    friend auto operator<=>(Week const&, Week const&) = default;
};

// "2026-W49". Empty on anything else, a 53rd week in a year that has none too. Years 1970 to 9999.
[[nodiscard]] std::optional<Week> parse_week(std::string_view text);
[[nodiscard]] std::string to_text(Week week);

[[nodiscard]] std::chrono::sys_days monday_of(Week week);
[[nodiscard]] Week week_of(std::chrono::sys_days day);
[[nodiscard]] unsigned weeks_in(int year);

}  // namespace probekeeper::zone

// A day of the calendar as "2026-03-01", for what people plan by days and not by instants.
#pragma once

#include <chrono>
#include <optional>
#include <string>
#include <string_view>

namespace probekeeper {

using Date = std::chrono::year_month_day;

// Years 0000 to 9999.
[[nodiscard]] std::string to_text(Date date);
// Exactly ten characters, and a day that there is; empty on anything else.
[[nodiscard]] std::optional<Date> parse_date(std::string_view text);

}  // namespace probekeeper

// Days and work as people read them.
#pragma once

#include <string>
#include <string_view>

#include "base/time.h"

namespace probekeeper::rounds {

[[nodiscard]] std::string day_text(std::chrono::year_month_day day);      // "2026-12-02"
[[nodiscard]] std::string day_text(Timestamp t);                          // its day in UTC
[[nodiscard]] std::string weekday_text(std::chrono::year_month_day day);  // "Wednesday"
[[nodiscard]] std::string work_text(std::string_view work);               // "change membrane and o ring"

}  // namespace probekeeper::rounds

#include "rounds/words.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <array>

namespace probekeeper::rounds {

std::string day_text(std::chrono::year_month_day day) {
    return fmt::format("{:04}-{:02}-{:02}", static_cast<int>(day.year()), static_cast<unsigned>(day.month()),
                       static_cast<unsigned>(day.day()));
}

std::string day_text(Timestamp t) {
    return day_text(std::chrono::year_month_day{std::chrono::floor<std::chrono::days>(t)});
}

std::string weekday_text(std::chrono::year_month_day day) {
    constexpr std::array<std::string_view, 7> names{"Monday", "Tuesday",  "Wednesday", "Thursday",
                                                    "Friday", "Saturday", "Sunday"};
    return std::string{names[std::chrono::weekday{std::chrono::sys_days{day}}.iso_encoding() - 1]};
}

std::string work_text(std::string_view work) {
    std::string text{work};
    std::replace(text.begin(), text.end(), '_', ' ');
    if (auto const ring = text.find("o ring");
        ring != std::string::npos && (ring == 0 || text[ring - 1] == ' ')) {
        text.replace(ring, 6, "O-ring");
    }
    return text;
}

}  // namespace probekeeper::rounds

#include "api/http_date.h"

#include <spdlog/fmt/fmt.h>

#include <array>
#include <chrono>

namespace probekeeper::api {

std::string http_date(Timestamp t) {
    constexpr std::array<std::string_view, 7> weekdays{"Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"};
    constexpr std::array<std::string_view, 12> months{"Jan", "Feb", "Mar", "Apr", "May", "Jun",
                                                      "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"};
    auto const day = std::chrono::floor<std::chrono::days>(t);
    std::chrono::year_month_day const date{day};
    std::chrono::hh_mm_ss const clock{std::chrono::floor<std::chrono::seconds>(t - day)};
    return fmt::format("{}, {:02} {} {:04} {:02}:{:02}:{:02} GMT",
                       weekdays[std::chrono::weekday{day}.c_encoding()], unsigned{date.day()},
                       months[unsigned{date.month()} - 1], int{date.year()}, clock.hours().count(),
                       clock.minutes().count(), clock.seconds().count());
}

}  // namespace probekeeper::api

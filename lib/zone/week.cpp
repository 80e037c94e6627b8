#include "zone/week.h"

#include <spdlog/fmt/fmt.h>

#include "base/text.h"

namespace probekeeper::zone {
namespace {

using namespace std::chrono;

sys_days first_monday(int iso_year) {
    // The 4th of January lies in week 1 always.
    auto const fourth = sys_days{std::chrono::year{iso_year} / January / 4};
    return fourth - (weekday{fourth} - Monday);
}

bool all_digits(std::string_view text) {
    return text.find_first_not_of("0123456789") == std::string_view::npos;
}

}  // namespace

unsigned weeks_in(int year) {
    return static_cast<unsigned>((first_monday(year + 1) - first_monday(year)).count() / 7);
}

std::optional<Week> parse_week(std::string_view text) {
    if (text.size() != 8 || text.substr(4, 2) != "-W" || !all_digits(text.substr(0, 4)) ||
        !all_digits(text.substr(6))) {
        return std::nullopt;
    }
    auto const year = static_cast<int>(*parse_integer(text.substr(0, 4)));
    auto const number = static_cast<unsigned>(*parse_integer(text.substr(6)));
    if (year < 1970 || number < 1 || number > weeks_in(year)) {
        return std::nullopt;
    }
    return Week{year, number};
}

std::string to_text(Week week) {
    return fmt::format("{:04}-W{:02}", week.year, week.number);
}

sys_days monday_of(Week week) {
    return first_monday(week.year) + weeks{week.number - 1};
}

Week week_of(sys_days day) {
    auto const thursday = day - (weekday{day} - Monday) + days{3};
    auto const year = static_cast<int>(year_month_day{thursday}.year());
    return {year, static_cast<unsigned>((thursday - first_monday(year)).count() / 7) + 1};
}

}  // namespace probekeeper::zone

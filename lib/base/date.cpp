#include "base/date.h"

#include <spdlog/fmt/fmt.h>

#include "base/text.h"

namespace probekeeper {

std::string to_text(Date date) {
    return fmt::format("{:04}-{:02}-{:02}", static_cast<int>(date.year()),
                       static_cast<unsigned>(date.month()), static_cast<unsigned>(date.day()));
}

std::optional<Date> parse_date(std::string_view text) {
    if (text.size() != 10 || text[4] != '-' || text[7] != '-' ||
        text.find_first_not_of("0123456789-") != std::string_view::npos) {
        return std::nullopt;
    }
    auto const year = parse_integer(text.substr(0, 4));
    auto const month = parse_integer(text.substr(5, 2));
    auto const day = parse_integer(text.substr(8, 2));
    if (!year || !month || !day || *year < 0 || *month < 0 || *day < 0) {
        return std::nullopt;
    }
    Date const date{std::chrono::year{static_cast<int>(*year)},
                    std::chrono::month{static_cast<unsigned>(*month)},
                    std::chrono::day{static_cast<unsigned>(*day)}};
    return date.ok() ? std::optional{date} : std::nullopt;
}

}  // namespace probekeeper

#include "fleet/working_week.h"

#include "base/text.h"

namespace probekeeper::fleet {
namespace {

std::optional<int> two_digits(std::string_view text) {
    if (text.size() != 2 || text.find_first_not_of("0123456789") != std::string_view::npos) {
        return std::nullopt;
    }
    return static_cast<int>(*parse_integer(text));
}

std::optional<int> minute_of_day(std::string_view text) {
    if (text.size() != 5 || text[2] != ':') {
        return std::nullopt;
    }
    auto const hour = two_digits(text.substr(0, 2));
    auto const minute = two_digits(text.substr(3));
    if (!hour || !minute || *minute > 59 || *hour * 60 + *minute > 1440) {
        return std::nullopt;
    }
    return *hour * 60 + *minute;
}

std::optional<std::chrono::year_month_day> day_of(std::string_view text) {
    auto const t = text.size() == 10 ? parse_rfc3339(std::string{text} + "T00:00:00Z") : std::nullopt;
    if (!t) {
        return std::nullopt;
    }
    return std::chrono::year_month_day{std::chrono::floor<std::chrono::days>(*t)};
}

}  // namespace

std::string_view to_word(Biosecurity b) {
    switch (b) {
        case Biosecurity::clean:
            return "clean";
        case Biosecurity::suspect:
            return "suspect";
        case Biosecurity::wastewater:
            return "wastewater";
    }
    return {};
}

std::optional<HourSpan> parse_hours(std::string_view text) {
    auto const dash = text.find('-');
    if (dash == std::string_view::npos) {
        return std::nullopt;
    }
    auto const from = minute_of_day(trimmed(text.substr(0, dash)));
    auto const to = minute_of_day(trimmed(text.substr(dash + 1)));
    if (!from || !to || *from >= *to) {
        return std::nullopt;
    }
    return HourSpan{*from, *to};
}

std::optional<DaySpan> parse_days(std::string_view text) {
    auto const slash = text.find('/');
    auto const first = day_of(text.substr(0, slash));
    auto const last = slash == std::string_view::npos ? first : day_of(text.substr(slash + 1));
    if (!first || !last || *last < *first) {
        return std::nullopt;
    }
    return DaySpan{*first, *last};
}

std::optional<TimeSpan> parse_span(std::string_view text) {
    auto const slash = text.find('/');
    if (slash == std::string_view::npos) {
        return std::nullopt;
    }
    auto const from = parse_rfc3339(text.substr(0, slash));
    auto const to = parse_rfc3339(text.substr(slash + 1));
    if (!from || !to || !(*from < *to)) {
        return std::nullopt;
    }
    return TimeSpan{*from, *to};
}

}  // namespace probekeeper::fleet

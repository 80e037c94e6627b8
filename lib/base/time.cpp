#include "base/time.h"

#include <spdlog/fmt/fmt.h>

#include "base/text.h"

namespace probekeeper {
namespace {

// Reads exactly `count` digits at `at`; advances.
std::optional<int> digits(std::string_view text, std::size_t& at, std::size_t count) {
    if (at + count > text.size()) {
        return std::nullopt;
    }
    int value = 0;
    for (std::size_t i = 0; i < count; ++i) {
        char const c = text[at + i];
        if (c < '0' || c > '9') {
            return std::nullopt;
        }
        value = value * 10 + (c - '0');
    }
    at += count;
    return value;
}

bool accept(std::string_view text, std::size_t& at, std::string_view any_of) {
    if (at < text.size() && any_of.find(text[at]) != std::string_view::npos) {
        ++at;
        return true;
    }
    return false;
}

std::optional<int> milliseconds_of(std::string_view text, std::size_t& at) {
    if (!accept(text, at, ".")) {
        return 0;
    }
    int ms = 0;
    int seen = 0;
    while (at < text.size() && text[at] >= '0' && text[at] <= '9') {
        if (seen < 3) {
            ms = ms * 10 + (text[at] - '0');
        }
        ++seen;
        ++at;
    }
    if (seen == 0) {
        return std::nullopt;
    }
    for (int i = seen; i < 3; ++i) {
        ms *= 10;
    }
    return ms;
}

std::optional<std::chrono::minutes> offset_of(std::string_view text, std::size_t& at) {
    if (accept(text, at, "Zz")) {
        return std::chrono::minutes{0};
    }
    bool const west = at < text.size() && text[at] == '-';
    if (!accept(text, at, "+-")) {
        return std::nullopt;
    }
    auto const hours = digits(text, at, 2);
    if (!hours || *hours > 23 || !accept(text, at, ":")) {
        return std::nullopt;
    }
    auto const minutes = digits(text, at, 2);
    if (!minutes || *minutes > 59) {
        return std::nullopt;
    }
    auto const magnitude = std::chrono::minutes{*hours * 60 + *minutes};
    return west ? -magnitude : magnitude;
}

}  // namespace

std::string to_rfc3339(Timestamp t) {
    auto const day = std::chrono::floor<std::chrono::days>(t);
    std::chrono::year_month_day const date{day};
    auto const in_day = (t - day).count();
    return fmt::format("{:04}-{:02}-{:02}T{:02}:{:02}:{:02}.{:03}Z", static_cast<int>(date.year()),
                       static_cast<unsigned>(date.month()), static_cast<unsigned>(date.day()),
                       in_day / 3'600'000, in_day / 60'000 % 60, in_day / 1000 % 60, in_day % 1000);
}

std::optional<Timestamp> parse_rfc3339(std::string_view text) {
    std::size_t at = 0;
    auto const year = digits(text, at, 4);
    if (!year || !accept(text, at, "-")) {
        return std::nullopt;
    }
    auto const month = digits(text, at, 2);
    if (!month || !accept(text, at, "-")) {
        return std::nullopt;
    }
    auto const day = digits(text, at, 2);
    if (!day || !accept(text, at, "Tt")) {
        return std::nullopt;
    }
    auto const hour = digits(text, at, 2);
    if (!hour || *hour > 23 || !accept(text, at, ":")) {
        return std::nullopt;
    }
    auto const minute = digits(text, at, 2);
    if (!minute || *minute > 59 || !accept(text, at, ":")) {
        return std::nullopt;
    }
    auto const second = digits(text, at, 2);
    if (!second || *second > 60) {
        return std::nullopt;
    }
    auto const ms = milliseconds_of(text, at);
    if (!ms) {
        return std::nullopt;
    }
    auto const offset = offset_of(text, at);
    if (!offset || at != text.size()) {
        return std::nullopt;
    }
    std::chrono::year_month_day const date{std::chrono::year{*year},
                                           std::chrono::month{static_cast<unsigned>(*month)},
                                           std::chrono::day{static_cast<unsigned>(*day)}};
    if (!date.ok()) {
        return std::nullopt;
    }
    return Timestamp{std::chrono::sys_days{date}} + std::chrono::hours{*hour} +
           std::chrono::minutes{*minute} + std::chrono::seconds{*second} + Millis{*ms} - *offset;
}

std::optional<Timestamp> parse_time_cell(std::string_view text) {
    if (auto const stamp = parse_rfc3339(text)) {
        return stamp;
    }
    if (auto const ms = parse_integer(text)) {
        return from_unix_ms(*ms);
    }
    return std::nullopt;
}

}  // namespace probekeeper

#include "intake/time_cells.h"

#include <algorithm>
#include <cstring>

namespace probekeeper::intake {
namespace {

using std::chrono::sys_days;
constexpr Timestamp first = sys_days{std::chrono::year{0} / 1 / 1};
constexpr Timestamp after_last = sys_days{std::chrono::year{10'000} / 1 / 1};

// Two digits at `at`, or a number above 99 where there are none.
unsigned two_digits(char const* at) {
    auto const tens = static_cast<unsigned>(at[0]) - '0';
    auto const ones = static_cast<unsigned>(at[1]) - '0';
    return tens > 9 || ones > 9 ? 100 : tens * 10 + ones;
}

// "T06:00:00Z" or "T06:00:00.000Z"; empty on every other form, which is not to say that it is wrong.
std::optional<Millis> plain_time_of_day(std::string_view text) {
    bool const fraction = text.size() == 14 && text[9] == '.';
    if (!(fraction || text.size() == 10) || text[0] != 'T' || text[3] != ':' || text[6] != ':' ||
        text.back() != 'Z') {
        return std::nullopt;
    }
    unsigned const hour = two_digits(text.data() + 1);
    unsigned const minute = two_digits(text.data() + 4);
    unsigned const second = two_digits(text.data() + 7);
    unsigned ms = 0;
    if (fraction) {
        unsigned const tens = two_digits(text.data() + 10);
        unsigned const ones = static_cast<unsigned>(text[12]) - '0';
        ms = tens > 99 || ones > 9 ? 1000 : tens * 10 + ones;
    }
    if (hour > 23 || minute > 59 || second > 59 || ms > 999) {
        return std::nullopt;
    }
    return Millis{((hour * 60 + minute) * 60 + second) * 1000 + ms};
}

}  // namespace

std::optional<Timestamp> TimeCells::parse(std::string_view cell) {
    bool const long_enough = cell.size() > date_.size();
    if (long_enough && std::memcmp(cell.data(), date_.data(), date_.size()) == 0) {
        if (auto const time_of_day = plain_time_of_day(cell.substr(date_.size()))) {
            return day_ + *time_of_day;
        }
    }
    auto const time = parse_time_cell(cell);
    if (!time || *time < first || *time >= after_last) {
        return std::nullopt;
    }
    if (long_enough && plain_time_of_day(cell.substr(date_.size()))) {
        std::copy_n(cell.begin(), date_.size(), date_.begin());
        day_ = std::chrono::floor<std::chrono::days>(*time);
    }
    return time;
}

}  // namespace probekeeper::intake

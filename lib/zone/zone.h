// People's days and hours in UTC and back, by the time zone of a place. Everything of ours is in UTC; a zone
// is needed where a person writes or reads a day or an hour: working hours, access windows, a month's report.
//
// The rules are those of this machine's tz database (/usr/share/zoneinfo, package tzdata), read by Abseil,
// because GCC 12 has no zones in <chrono>.
#pragma once

#include <chrono>
#include <memory>
#include <optional>
#include <string>

#include "base/time.h"

namespace probekeeper::zone {

// What a clock on the wall shows at some place.
using LocalTime = std::chrono::local_time<Millis>;

// A value, cheap to copy, and safe to use from any thread.
class Zone {
public:
    // By IANA name, such as "Europe/London"; "UTC" is always there. Empty: this machine does not know it.
    // Reads a file the first time that a name is asked for.
    [[nodiscard]] static std::optional<Zone> find(std::string const& name);
    [[nodiscard]] static Zone utc();

    [[nodiscard]] LocalTime to_local(Timestamp t) const;
    // Never fails, for a plan needs an hour: a time that a clock shows twice is its first, and one that is
    // left out when clocks go forward is counted on from before (02:30 left out is the instant that shows
    // 03:30).
    [[nodiscard]] Timestamp to_utc(LocalTime t) const;
    // The first instant of a day, which need not show 00:00. Days may have 23 or 25 hours.
    [[nodiscard]] Timestamp start_of(std::chrono::year_month_day day) const;
    [[nodiscard]] std::chrono::year_month_day day_of(Timestamp t) const;
    // How far local time is ahead of UTC.
    [[nodiscard]] std::chrono::seconds offset_at(Timestamp t) const;

    [[nodiscard]] std::string name() const;

private:
    struct Rules;
    explicit Zone(std::shared_ptr<Rules const> rules) : rules_{std::move(rules)} {}
    std::shared_ptr<Rules const> rules_;
};

}  // namespace probekeeper::zone

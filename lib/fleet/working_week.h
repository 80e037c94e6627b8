// What decides a real week of visits: who works when and from where, when a site lets people in, and what
// everything costs. Days and hours are those on the wall: a technician's of the depot's time zone, a site's
// of its own.
#pragma once

#include <array>
#include <chrono>
#include <map>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "base/time.h"

namespace probekeeper::fleet {

// Minutes after midnight, 0..1440, from < to.
struct HourSpan {
    int from = 0, to = 1440;
    friend bool operator==(HourSpan const&, HourSpan const&) = default;
};
// Both days belong to it.
struct DaySpan {
    std::chrono::year_month_day first{}, last{};
    [[nodiscard]] bool holds(std::chrono::year_month_day day) const { return first <= day && day <= last; }
};
struct TimeSpan {
    Timestamp from{}, to{};
};

inline constexpr std::array<std::string_view, 7> weekday_names{"monday", "tuesday",  "wednesday", "thursday",
                                                               "friday", "saturday", "sunday"};

struct Depot {
    std::string id, name, address;
    double latitude = 0.0, longitude = 0.0;
    std::string time_zone = "UTC";
};

struct Technician {
    std::string id, name;
    std::size_t depot = 0;                           // in Fleet::depots
    std::array<std::optional<HourSpan>, 7> hours{};  // from Monday; none: does not work
    std::vector<DaySpan> absences;
    std::vector<std::string> skills;  // sorted
};

// On one day nobody goes from a later class to an earlier one.
enum class Biosecurity { clean, suspect, wastewater };

// When and how a site lets people in.
struct SiteAccess {
    std::array<std::vector<HourSpan>, 7> windows{};  // from Monday, in order; a day without any is closed
    std::vector<DaySpan> closed;
    std::vector<TimeSpan> only;       // tides and the like: where there are any, within one of them too
    double notice_hours = 0.0;        // between asking and coming: permits
    double sign_in_minutes = 0.0;     // a visit, before any work
    std::vector<std::string> skills;  // sorted; of each person who goes
    bool two_person = false;
    Biosecurity biosecurity = Biosecurity::clean;
    std::optional<int> check_days;  // by contract somebody is there at least so often
};

struct RoundsSettings {
    double road_factor = 1.3;  // road over great circle: common practice, no source
    double speed_km_h = 60.0;
    double fill = 0.8;            // share of a day's hours that driving and work may take
    double overtime_hours = 0.0;  // a day at most
    // Prices in one currency, whichever.
    double hour_price = 60.0;       // a person's hour on the road, the vehicle included
    double overtime_price = 90.0;   // an hour beyond `fill`
    double late_price_now = 400.0;  // a day late, by urgency
    double late_price_this_week = 60.0;
    double late_price_next_visit = 5.0;
    double membrane_price = 80.0;  // a whole life of one; thrown away by the share that is left
    double search_seconds = 30.0;  // a plan is good enough after so long; most take a few seconds
    int pull_forward_days = 28;    // what falls due within so many days after the week may be done now
    // Minutes from one to another, by the ids of depots and sites; what is not in it goes by road and speed.
    std::map<std::pair<std::string, std::string>, double> travel_minutes;
};

[[nodiscard]] std::string_view to_word(Biosecurity b);

// "08:00-17:30"; "24:00" ends a day. Empty: something else.
[[nodiscard]] std::optional<HourSpan> parse_hours(std::string_view text);
// "2026-12-24" or "2026-12-24/2027-01-02".
[[nodiscard]] std::optional<DaySpan> parse_days(std::string_view text);
// "2026-12-01T05:30:00Z/2026-12-01T08:00:00Z", with any offset.
[[nodiscard]] std::optional<TimeSpan> parse_span(std::string_view text);

}  // namespace probekeeper::fleet

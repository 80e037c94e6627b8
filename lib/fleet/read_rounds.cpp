// [[depot]], [[technician]], [site.access] and [rounds].
#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <filesystem>
#include <fstream>

#include "base/text.h"
#include "fleet/time_zone.h"
#include "fleet/written.h"

namespace probekeeper::fleet {
namespace {

constexpr std::pair<std::string_view, Biosecurity> classes[] = {{"clean", Biosecurity::clean},
                                                                {"suspect", Biosecurity::suspect},
                                                                {"wastewater", Biosecurity::wastewater}};

void tell_hours(Section& section, std::string_view key, std::string const& written) {
    section.wrong(key,
                  fmt::format("\"{}\" in `{}` should be hours such as \"08:00-17:00\", the first before the "
                              "second",
                              written, key));
}

std::vector<DaySpan> read_days(Section& section, std::string_view key) {
    std::vector<DaySpan> days;
    for (auto const& written : section.texts(key)) {
        if (auto const span = parse_days(written.value)) {
            days.push_back(*span);
        } else {
            section.wrong(key,
                          fmt::format("\"{}\" in `{}` should be a day such as \"2026-12-24\", or two with a "
                                      "slash between, the earlier first",
                                      written.value, key));
        }
    }
    return days;
}

std::vector<std::string> read_skills(Section& section) {
    std::vector<std::string> skills;
    for (auto& written : section.texts("skills")) {
        skills.push_back(std::move(written.value));
    }
    std::sort(skills.begin(), skills.end());
    skills.erase(std::unique(skills.begin(), skills.end()), skills.end());
    return skills;
}

std::vector<HourSpan> read_windows(Section& section, std::string_view key) {
    std::vector<HourSpan> windows;
    for (auto const& written : section.texts(key)) {
        if (auto const hours = parse_hours(written.value)) {
            windows.push_back(*hours);
        } else {
            tell_hours(section, key, written.value);
        }
    }
    std::sort(windows.begin(), windows.end(),
              [](HourSpan const& a, HourSpan const& b) { return a.from < b.from; });
    for (std::size_t i = 1; i < windows.size(); ++i) {
        if (windows[i].from < windows[i - 1].to) {
            section.wrong(key, fmt::format("the hours in `{}` overlap", key));
        }
    }
    return windows;
}

void read_travel_times(Section& section, RoundsSettings& rounds) {
    auto const file = read_file_name(section, "travel_times_file", /*secret=*/false);
    if (!file || !std::filesystem::is_regular_file(*file)) {
        return;
    }
    std::ifstream in{*file};
    if (!in) {
        section.wrong("travel_times_file",
                      fmt::format("`travel_times_file` names {}, which cannot be read", file->string()));
        return;
    }
    std::string line;
    for (int number = 1; std::getline(in, line); ++number) {
        std::string_view const row = trimmed(line);
        if (row.empty() || (number == 1 && row == "from,to,minutes")) {
            continue;
        }
        auto const first = row.find(',');
        auto const second = first == std::string_view::npos ? first : row.find(',', first + 1);
        auto const minutes =
            second == std::string_view::npos ? std::nullopt : parse_number(row.substr(second + 1));
        constexpr double most_minutes = 1440.0;
        if (!minutes || *minutes < 0.0 || *minutes > most_minutes) {
            section.wrong(
                "travel_times_file",
                fmt::format("{}:{}: should be from,to,minutes such as \"north,saltmarsh,42\", minutes in "
                            "0..1440",
                            file->string(), number));
            return;
        }
        rounds.travel_minutes[{std::string{row.substr(0, first)},
                               std::string{row.substr(first + 1, second - first - 1)}}] = *minutes;
    }
}

}  // namespace

WrittenDepot read_depot(Section& section) {
    WrittenDepot written;
    written.where = section.where();
    written.id = section.id("id");
    auto& depot = written.depot;
    depot.id = written.id ? written.id->value : "";
    depot.name = section.text("name").value_or(depot.id);
    depot.address = section.text("address").value_or("");
    depot.latitude = section.number("latitude", -90.0, 90.0).value_or(0.0);
    depot.longitude = section.number("longitude", -180.0, 180.0).value_or(0.0);
    depot.time_zone = section.text("time_zone").value_or("UTC");
    if (auto problem = time_zone_problem(depot.time_zone)) {
        section.wrong("time_zone", std::move(*problem));
    }
    section.need({"id", "latitude", "longitude"});
    section.finish();
    return written;
}

WrittenTechnician read_technician(Section& section) {
    WrittenTechnician written;
    written.where = section.where();
    written.id = section.id("id");
    written.depot = section.located_text("depot");
    auto& technician = written.technician;
    technician.id = written.id ? written.id->value : "";
    technician.name = section.text("name").value_or(technician.id);
    if (auto hours = section.table("hours", "`hours`")) {
        for (std::size_t d = 0; d < weekday_names.size(); ++d) {
            if (auto const text = hours->text(weekday_names[d])) {
                technician.hours[d] = parse_hours(*text);
                if (!technician.hours[d]) {
                    tell_hours(*hours, weekday_names[d], *text);
                }
            }
        }
        hours->finish();
    }
    technician.absences = read_days(section, "absences");
    technician.skills = read_skills(section);
    section.need({"id", "depot", "hours"});
    section.finish();
    return written;
}

SiteAccess read_access(Section& section, Biosecurity usual) {
    SiteAccess access;
    access.biosecurity = section.word<Biosecurity>("biosecurity", classes).value_or(usual);
    if (auto windows = section.table("windows", "`windows`")) {
        for (std::size_t d = 0; d < weekday_names.size(); ++d) {
            access.windows[d] = read_windows(*windows, weekday_names[d]);
        }
        windows->finish();
    } else {
        access.windows.fill({HourSpan{}});
    }
    access.closed = read_days(section, "closed");
    for (auto const& written : section.texts("only")) {
        if (auto const span = parse_span(written.value)) {
            access.only.push_back(*span);
        } else {
            section.wrong("only",
                          fmt::format("\"{}\" in `only` should be two times with a slash between, such as "
                                      "\"2026-12-01T05:30:00Z/2026-12-01T08:00:00Z\"",
                                      written.value));
        }
    }
    std::sort(access.only.begin(), access.only.end(),
              [](TimeSpan const& a, TimeSpan const& b) { return a.from < b.from; });
    access.notice_hours = section.number("notice_hours", 0.0, 2000.0).value_or(0.0);
    access.sign_in_minutes = section.number("sign_in_minutes", 0.0, 480.0).value_or(0.0);
    access.skills = read_skills(section);
    access.two_person = section.boolean("two_person").value_or(false);
    if (auto const days = section.integer("check_days", 1, 3650)) {
        access.check_days = static_cast<int>(*days);
    }
    section.finish();
    return access;
}

RoundsSettings read_rounds(Section& section) {
    RoundsSettings rounds;
    auto const take = [&](std::string_view key, double& value, double lowest, double highest) {
        value = section.number(key, lowest, highest).value_or(value);
    };
    constexpr double most_price = 1e6;
    take("road_factor", rounds.road_factor, 1.0, 5.0);
    take("speed_km_h", rounds.speed_km_h, 5.0, 130.0);
    take("fill", rounds.fill, 0.1, 1.0);
    take("overtime_hours", rounds.overtime_hours, 0.0, 12.0);
    take("hour_price", rounds.hour_price, 0.01, most_price);
    take("overtime_price", rounds.overtime_price, 0.0, most_price);
    take("late_price_now", rounds.late_price_now, 0.0, most_price);
    take("late_price_this_week", rounds.late_price_this_week, 0.0, most_price);
    take("late_price_next_visit", rounds.late_price_next_visit, 0.0, most_price);
    take("membrane_price", rounds.membrane_price, 0.0, most_price);
    rounds.search_seconds = section.number("search_seconds", 1.0, 3600.0).value_or(rounds.search_seconds);
    if (auto const days = section.integer("pull_forward_days", 0, 365)) {
        rounds.pull_forward_days = static_cast<int>(*days);
    }
    read_travel_times(section, rounds);
    section.finish();
    return rounds;
}

}  // namespace probekeeper::fleet

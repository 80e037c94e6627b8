// From a plan to the round that people read.
#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <map>

#include "rounds/compose.h"
#include "zone/zone.h"

namespace probekeeper::rounds {
namespace {

RoundStop stop_of(fleet::Fleet const& fleet, Composed const& composed, Stop const& stop) {
    auto const& tasks = composed.tasks[static_cast<std::size_t>(stop.visit)];
    auto const& site = fleet.sites[tasks.front().site];
    RoundStop result;
    result.site = site.id;
    result.site_name = site.name;
    result.address = site.address;
    result.access_notes = site.access_notes;
    result.arrive = composed.zero + std::chrono::seconds{stop.begin};
    result.leave = composed.zero + std::chrono::seconds{stop.leave};
    for (auto const& task : tasks) {
        result.jobs.push_back(task.job);
    }
    return result;
}

RoundDay day_of(fleet::Fleet const& fleet, Asked const& asked, Composed const& composed, std::size_t s,
                Timetable const& table) {
    auto const& shift = composed.week.shifts[s];
    RoundDay day;
    day.date = zone::monday_of(asked.week) + std::chrono::days{shift.day};
    day.depart = composed.zero + std::chrono::seconds{table.depart};
    day.home = composed.zero + std::chrono::seconds{table.home};
    day.drive_minutes = table.driving / 60.0;
    day.work_minutes = table.work / 60.0;
    for (std::size_t p = 1; p < shift.persons.size(); ++p) {
        day.with.push_back(fleet.technicians[static_cast<std::size_t>(shift.persons[p])].id);
    }
    for (auto const& stop : table.stops) {
        day.stops.push_back(stop_of(fleet, composed, stop));
    }
    return day;
}

}  // namespace

std::vector<std::string> names_of(Round const& round, std::vector<std::string> const& technicians) {
    std::vector<std::string> names;
    for (auto const& id : technicians) {
        auto const found = std::find_if(round.technicians.begin(), round.technicians.end(),
                                        [&](RoundTechnician const& one) { return one.technician == id; });
        auto const other = round.others.find(id);
        auto const name = found != round.technicians.end() ? found->name
                          : other != round.others.end()    ? other->second
                                                           : std::string{};
        names.push_back(name.empty() ? id : name);
    }
    return names;
}

std::vector<JoinedDay> joins_of(Round const& round, std::string const& technician) {
    std::vector<JoinedDay> joins;
    for (auto const& other : round.technicians) {
        for (auto const& day : other.days) {
            if (std::find(day.with.begin(), day.with.end(), technician) != day.with.end()) {
                joins.push_back({day.date, other.technician});
            }
        }
    }
    std::stable_sort(joins.begin(), joins.end(),
                     [](JoinedDay const& a, JoinedDay const& b) { return a.date < b.date; });
    return joins;
}

Round only_of(Round round, std::string const& technician) {
    std::vector<RoundDay> joined;
    for (auto const& other : round.technicians) {
        for (auto day : other.technician == technician ? std::vector<RoundDay>{} : other.days) {
            auto const found = std::find(day.with.begin(), day.with.end(), technician);
            if (found != day.with.end()) {
                *found = other.technician;
                day.lead = other.technician;
                joined.push_back(std::move(day));
            }
        }
    }
    for (auto const& other : round.technicians) {
        round.others[other.technician] = other.name;
    }
    std::erase_if(round.technicians, [&](RoundTechnician const& t) { return t.technician != technician; });
    for (auto& own : round.technicians) {
        own.days.insert(own.days.end(), joined.begin(), joined.end());
        std::stable_sort(own.days.begin(), own.days.end(),
                         [](RoundDay const& a, RoundDay const& b) { return a.date < b.date; });
        own.load = load_of(own.days);
    }
    std::erase_if(round.moved, [&](Moved const& m) {
        return m.technician != technician && m.was_technician != technician;
    });
    return round;
}

std::vector<service::Part> load_of(std::vector<RoundDay> const& days) {
    std::map<std::pair<std::string, std::string>, int> sum;
    for (auto const& day : days) {
        for (auto const& stop : day.lead.empty() ? day.stops : std::vector<RoundStop>{}) {
            for (auto const& job : stop.jobs) {
                for (auto const& part : job.parts) {
                    sum[{part.part, part.kind}] += part.quantity;
                }
            }
        }
    }
    std::vector<service::Part> load;
    for (auto const& [part, quantity] : sum) {
        load.push_back({part.first, part.second, quantity});
    }
    return load;
}

Round to_round(fleet::Fleet const& fleet, Asked const& asked, Composed const& composed, Plan const& plan) {
    auto const judged = judge(composed.week, plan);
    Round round;
    round.week = asked.week;
    for (std::size_t t = 0; t < fleet.technicians.size(); ++t) {
        auto const& technician = fleet.technicians[t];
        RoundTechnician result{
            technician.id, technician.name, fleet.depots[technician.depot].time_zone, {}, {}};
        for (std::size_t s = 0; s < plan.routes.size(); ++s) {
            if (!plan.routes[s].empty() && composed.week.shifts[s].persons[0] == static_cast<int>(t)) {
                result.days.push_back(day_of(fleet, asked, composed, s, judged.timetables[s]));
            }
        }
        std::stable_sort(result.days.begin(), result.days.end(),
                         [](RoundDay const& a, RoundDay const& b) { return a.date < b.date; });
        result.load = load_of(result.days);
        round.technicians.push_back(std::move(result));
    }
    round.not_reached = composed.left;
    for (int const v : judged.not_made) {
        auto const& why = composed.why_impossible[static_cast<std::size_t>(v)];
        for (auto const& task : composed.tasks[static_cast<std::size_t>(v)]) {
            if (task.due) {
                round.not_reached.push_back(
                    {task.job.ticket, task.job.probe,
                     why.empty() ? "the hours of this week are taken by what presses more" : why});
            }
        }
    }
    return round;
}

}  // namespace probekeeper::rounds

#include "rounds/plan.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>

namespace probekeeper::rounds {

bool fits(Shift const& shift, Visit const& visit, std::size_t shift_index) {
    return (visit.skills & ~shift.skills) == 0 && visit.crew <= shift.crew &&
           (visit.in_shift.empty() || visit.in_shift[shift_index] != forbidden);
}

bool exclude(Shift const& a, Shift const& b) {
    return a.day == b.day && std::find_first_of(a.persons.begin(), a.persons.end(), b.persons.begin(),
                                                b.persons.end()) != a.persons.end();
}

namespace {

std::optional<Ticks> begin_of(Visit const& visit, Ticks arrive) {
    for (auto const& window : visit.windows) {
        auto const begin = std::max(arrive, window.open);
        if (begin + visit.work <= window.close) {
            return begin;
        }
    }
    return std::nullopt;
}

}  // namespace

std::optional<Timetable> timetable(Week const& week, std::size_t shift_index, std::vector<int> const& route) {
    auto const& shift = week.shifts[shift_index];
    Timetable table;
    table.depart = shift.open;
    table.home = shift.open;
    int place = shift.start;
    Ticks now = shift.open;
    for (int const v : route) {
        auto const& visit = week.visits[static_cast<std::size_t>(v)];
        auto const way = week.way(place, visit.place);
        auto const arrive = now + way;
        auto const begin = begin_of(visit, arrive);
        if (!begin) {
            return std::nullopt;
        }
        table.driving += way;
        table.work += visit.work;
        now = *begin + visit.work;
        place = visit.place;
        table.stops.push_back({v, arrive, *begin, now});
    }
    if (route.empty()) {
        return table;
    }
    auto& first = table.stops.front();
    first.arrive = first.begin;  // nobody waits at the first gate who can leave later
    table.depart = first.begin - week.way(shift.start, week.visits[static_cast<std::size_t>(route[0])].place);
    auto const back = week.way(place, shift.end);
    table.driving += back;
    table.home = now + back;
    return table.home <= shift.close ? std::optional{table} : std::nullopt;
}

namespace {

// What breaks within one shift.
std::optional<std::string> problem_of(Week const& week, std::size_t s, std::vector<int> const& route) {
    auto const& shift = week.shifts[s];
    std::int64_t load = 0;
    int rank = std::numeric_limits<int>::min();
    for (int const v : route) {
        auto const& visit = week.visits[static_cast<std::size_t>(v)];
        if (!fits(shift, visit, s)) {
            return fmt::format("shift {} may not make visit {}", s, v);
        }
        if (visit.rank < rank) {
            return fmt::format("shift {} comes to visit {} from a higher rank", s, v);
        }
        rank = visit.rank;
        load += visit.load;
    }
    if (load > shift.capacity) {
        return fmt::format("shift {} carries {} of {}", s, load, shift.capacity);
    }
    return std::nullopt;
}

}  // namespace

ShiftJudgement judge_shift(Week const& week, std::size_t s, std::vector<int> const& route) {
    ShiftJudgement judged;
    if (route.empty()) {
        return judged;
    }
    auto const& shift = week.shifts[s];
    auto table = timetable(week, s, route);
    judged.broken = problem_of(week, s, route);
    if (!judged.broken && (!table || table->driving + table->work > shift.longest)) {
        judged.broken = fmt::format("the hours of shift {} do not suffice", s);
    }
    if (judged.broken) {
        return judged;
    }
    judged.price = shift.fixed + shift.per_drive * table->driving +
                   shift.per_overtime * std::max(0, table->driving + table->work - shift.regular);
    for (int const v : route) {
        auto const& visit = week.visits[static_cast<std::size_t>(v)];
        judged.price += visit.in_shift.empty() ? 0 : visit.in_shift[s];
    }
    judged.timetable = std::move(*table);
    return judged;
}

Judgement judge(Week const& week, Plan const& plan) {
    Judgement judged;
    if (plan.routes.size() != week.shifts.size()) {
        judged.broken = "a plan has a route for each shift";
        return judged;
    }
    std::vector<int> made(week.visits.size(), 0);
    judged.timetables.resize(week.shifts.size());
    for (std::size_t s = 0; s < week.shifts.size(); ++s) {
        auto const& route = plan.routes[s];
        auto alone = judge_shift(week, s, route);
        judged.broken = std::move(alone.broken);
        for (std::size_t other = 0; other < s && !judged.broken && !route.empty(); ++other) {
            if (!plan.routes[other].empty() && exclude(week.shifts[s], week.shifts[other])) {
                judged.broken = fmt::format("one person is in shifts {} and {}", other, s);
            }
        }
        if (judged.broken) {
            return judged;
        }
        judged.price += alone.price;
        judged.timetables[s] = std::move(alone.timetable);
        for (int const v : route) {
            ++made[static_cast<std::size_t>(v)];
        }
    }
    for (std::size_t v = 0; v < made.size(); ++v) {
        if (made[v] > 1) {
            judged.broken = fmt::format("visit {} is made twice", v);
        } else if (made[v] == 0) {
            judged.not_made.push_back(static_cast<int>(v));
            judged.price += week.visits[v].unserved;
        }
    }
    return judged;
}

}  // namespace probekeeper::rounds

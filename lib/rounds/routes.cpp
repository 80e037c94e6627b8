#include "rounds/routes.h"

#include <cassert>

namespace probekeeper::rounds {
namespace {

// Whether a day of the shift with this visit alone is possible at all.
bool possible(Week const& week, std::size_t s, int v) {
    auto const& shift = week.shifts[s];
    auto const& visit = week.visits[static_cast<std::size_t>(v)];
    if (!fits(shift, visit, s) || visit.load > shift.capacity) {
        return false;
    }
    auto const table = timetable(week, s, {v});
    return table && table->driving + table->work <= shift.longest;
}

}  // namespace

Routes::Routes(Week const& week)
    : week_{&week},
      now_(week.shifts.size()),
      shift_of_(week.visits.size(), -1),
      shifts_for_(week.visits.size()),
      excluded_by_(week.shifts.size()),
      touched_(week.shifts.size(), 0) {
    for (std::size_t v = 0; v < week.visits.size(); ++v) {
        price_ += week.visits[v].unserved;
        for (std::size_t s = 0; s < week.shifts.size(); ++s) {
            if (possible(week, s, static_cast<int>(v))) {
                shifts_for_[v].push_back(s);
            }
        }
    }
    for (std::size_t s = 0; s < week.shifts.size(); ++s) {
        for (std::size_t other = 0; other < week.shifts.size(); ++other) {
            if (other != s && exclude(week.shifts[s], week.shifts[other])) {
                excluded_by_[s].push_back(other);
            }
        }
    }
}

void Routes::take(Plan const& plan) {
    for (std::size_t s = 0; s < now_.size(); ++s) {
        for (int const v : plan.routes[s]) {
            insert(v, {static_cast<int>(s), now_[s].visits.size(), 0});
        }
    }
}

Plan Routes::plan() const {
    Plan plan;
    for (auto const& route : now_) {
        plan.routes.push_back(route.visits);
    }
    return plan;
}

void Routes::insert(int v, Place const& place) {
    auto const s = static_cast<std::size_t>(place.shift);
    touch(s);
    auto& visits = now_[s].visits;
    visits.insert(visits.begin() + static_cast<std::ptrdiff_t>(place.at), v);
    shift_of_[static_cast<std::size_t>(v)] = place.shift;
    price_ -= visit(v).unserved;
    renew(s);
}

void Routes::remove(std::size_t s, std::size_t from, std::size_t count) {
    if (count == 0) {
        return;
    }
    touch(s);
    auto& visits = now_[s].visits;
    auto const first = visits.begin() + static_cast<std::ptrdiff_t>(from);
    auto const last = first + static_cast<std::ptrdiff_t>(count);
    for (auto at = first; at != last; ++at) {
        shift_of_[static_cast<std::size_t>(*at)] = -1;
        price_ += visit(*at).unserved;
    }
    visits.erase(first, last);
    renew(s);
}

void Routes::remember() {
    for (auto const& [s, route] : before_) {
        touched_[s] = 0;
    }
    before_.clear();
    price_before_ = price_;
}

void Routes::touch(std::size_t s) {
    if (touched_[s] == 0) {
        touched_[s] = 1;
        before_.emplace_back(s, now_[s]);
    }
}

void Routes::restore() {
    for (auto const& [s, route] : before_) {
        for (int const v : now_[s].visits) {
            shift_of_[static_cast<std::size_t>(v)] = -1;
        }
    }
    for (auto& [s, route] : before_) {
        now_[s] = std::move(route);
        for (int const v : now_[s].visits) {
            shift_of_[static_cast<std::size_t>(v)] = static_cast<int>(s);
        }
        touched_[s] = 0;
    }
    before_.clear();
    price_ = price_before_;
}

// The latest begin of which the work is over by a window's close, and that is not after `until`.
Ticks Routes::latest_in(int v, Ticks until) const {
    auto const& who = visit(v);
    for (auto window = who.windows.rbegin(); window != who.windows.rend(); ++window) {
        auto const begin = std::min(until, window->close - who.work);
        if (begin >= window->open) {
            return begin;
        }
    }
    return std::numeric_limits<Ticks>::min();
}

void Routes::renew(std::size_t s) {
    auto& route = now_[s];
    auto const& shift = week_->shifts[s];
    auto const size = route.visits.size();
    price_ -= route.own;
    route.earliest.resize(size);
    route.latest.resize(size);
    route.driving = route.work = 0;
    route.load = 0;
    route.own = 0;
    if (size == 0) {
        return;
    }
    route.own = shift.fixed;
    Ticks now = shift.open;
    int place = shift.start;
    for (std::size_t i = 0; i < size; ++i) {
        int const v = route.visits[i];
        auto const& who = visit(v);
        auto const way = week_->way(place, who.place);
        auto const begin = begin_in(v, now + way);
        assert(begin >= shift.open);
        now = begin + who.work;
        route.earliest[i] = now;
        route.driving += way;
        route.work += who.work;
        route.load += who.load;
        route.own += here(v, s);
        place = who.place;
    }
    route.driving += week_->way(place, shift.end);
    route.own += driven(shift, route.driving, route.work);
    price_ += route.own;
    Ticks until = shift.close;
    int next = shift.end;
    for (std::size_t i = size; i-- > 0;) {
        int const v = route.visits[i];
        auto const leave_by = until - week_->way(visit(v).place, next);
        route.latest[i] = latest_in(v, leave_by - visit(v).work);
        until = route.latest[i];
        next = visit(v).place;
    }
}

}  // namespace probekeeper::rounds

// The routes of a plan while it is searched: where a visit could go, and what that would cost, without
// walking the route. Only for the searches of this room.
#pragma once

#include <algorithm>

#include "rounds/plan.h"

namespace probekeeper::rounds {

// Before the stop that is now at `at` of the shift.
struct Place {
    int shift = -1;  // none
    std::size_t at = 0;
    Price price = forbidden;  // how much dearer the plan becomes
};

class Routes {
public:
    explicit Routes(Week const& week);

    void take(Plan const& plan);  // one that holds
    [[nodiscard]] Plan plan() const;
    [[nodiscard]] Price price() const { return price_; }  // as `judge` counts it
    [[nodiscard]] std::vector<int> const& route(std::size_t shift) const { return now_[shift].visits; }
    [[nodiscard]] int shift_of(int visit) const { return shift_of_[static_cast<std::size_t>(visit)]; }
    [[nodiscard]] std::vector<std::size_t> const& shifts_for(int visit) const {
        return shifts_for_[static_cast<std::size_t>(visit)];
    }
    [[nodiscard]] std::vector<std::size_t> const& excluded_by(std::size_t shift) const {
        return excluded_by_[shift];
    }

    // Better places of `visit` in `shift` than `best` replace it. `overlook`: asked for each place that would
    // do.
    template <typename Overlook>
    void offer(int visit, std::size_t shift, Place& best, Overlook overlook) const;
    void insert(int visit, Place const& place);
    void remove(std::size_t shift, std::size_t from, std::size_t count);

    void remember();  // so that `restore` leads back to here
    void restore();

private:
    struct Route {
        std::vector<int> visits;
        std::vector<Ticks> earliest;  // end of each visit's work at its earliest
        std::vector<Ticks> latest;    // begin of each at its latest, with the rest still in time
        Ticks driving = 0, work = 0;
        std::int32_t load = 0;
        Price own = 0;  // its whole price
    };

    void renew(std::size_t shift);
    void touch(std::size_t shift);
    // When the work begins where somebody arrives at `arrive`; the lowest Ticks there are: not possible.
    [[nodiscard]] Ticks begin_in(int visit, Ticks arrive) const;
    [[nodiscard]] Ticks latest_in(int visit, Ticks until) const;
    [[nodiscard]] Price driven(Shift const& shift, Ticks driving, Ticks work) const {
        return shift.per_drive * driving + shift.per_overtime * std::max(0, driving + work - shift.regular);
    }
    [[nodiscard]] Visit const& visit(int v) const { return week_->visits[static_cast<std::size_t>(v)]; }
    [[nodiscard]] Price here(int v, std::size_t shift) const {
        return visit(v).in_shift.empty() ? 0 : visit(v).in_shift[shift];
    }

    Week const* week_;
    std::vector<Route> now_;
    std::vector<int> shift_of_;
    std::vector<std::vector<std::size_t>> shifts_for_;
    std::vector<std::vector<std::size_t>> excluded_by_;
    std::vector<std::pair<std::size_t, Route>> before_;
    std::vector<char> touched_;
    Price price_ = 0, price_before_ = 0;
};

inline Ticks Routes::begin_in(int v, Ticks arrive) const {
    auto const& who = visit(v);
    for (auto const& window : who.windows) {
        auto const begin = std::max(arrive, window.open);
        if (begin + who.work <= window.close) {
            return begin;
        }
    }
    return std::numeric_limits<Ticks>::min();
}

template <typename Overlook>
void Routes::offer(int v, std::size_t s, Place& best, Overlook overlook) const {
    auto const& shift = week_->shifts[s];
    auto const& route = now_[s];
    auto const& who = visit(v);
    if (route.load > shift.capacity - who.load) {
        return;
    }
    if (route.visits.empty()) {
        for (auto const other : excluded_by_[s]) {
            if (!now_[other].visits.empty()) {
                return;
            }
        }
    }
    auto const size = route.visits.size();
    auto const fixed = here(v, s) + (size == 0 ? shift.fixed : 0) - driven(shift, route.driving, route.work);
    for (std::size_t at = 0; at <= size; ++at) {
        if (at > 0 && visit(route.visits[at - 1]).rank > who.rank) {
            return;  // from here on everything has a higher rank
        }
        if (at < size && visit(route.visits[at]).rank < who.rank) {
            continue;
        }
        int const from = at > 0 ? visit(route.visits[at - 1]).place : shift.start;
        int const to = at < size ? visit(route.visits[at]).place : shift.end;
        auto const there = week_->way(from, who.place);
        auto const on = week_->way(who.place, to);
        auto const driving = route.driving + there + on - (size == 0 ? 0 : week_->way(from, to));
        auto const price = fixed + driven(shift, driving, route.work + who.work);
        if (price >= best.price || driving + route.work + who.work > shift.longest) {
            continue;
        }
        auto const leave = at > 0 ? route.earliest[at - 1] : shift.open;
        auto const begin = begin_in(v, leave + there);
        if (begin < shift.open) {
            continue;
        }
        auto const arrive = begin + who.work + on;
        if (at < size) {
            auto const next = begin_in(route.visits[at], arrive);
            if (next < shift.open || next > route.latest[at]) {
                continue;
            }
        } else if (arrive > shift.close) {
            continue;
        }
        if (!overlook()) {
            best = {static_cast<int>(s), at, price};
        }
    }
}

}  // namespace probekeeper::rounds

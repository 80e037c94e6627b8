#include "rounds/amend.h"

#include <algorithm>
#include <optional>

namespace probekeeper::rounds {
namespace {

using Route = std::vector<int>;

constexpr int nowhere = -1;

struct Told {  // of a visit
    int shift = nowhere;
    Ticks begin = 0;
};

std::vector<Told> told_by(Week const& week, Plan const& plan) {
    std::vector<Told> told(week.visits.size());
    for (std::size_t s = 0; s < plan.routes.size(); ++s) {
        auto const table = timetable(week, s, plan.routes[s]);
        for (std::size_t i = 0; table && i < table->stops.size(); ++i) {
            auto const& stop = table->stops[i];
            told[static_cast<std::size_t>(stop.visit)] = {static_cast<int>(s), stop.begin};
        }
    }
    return told;
}

// What a change of some shifts' routes comes to; fewer moved first, then cheaper.
struct Change {
    std::vector<std::pair<std::size_t, Route>> routes;
    std::size_t moved = 0;
    Price price = 0;
    [[nodiscard]] bool better_than(std::optional<Change> const& other) const {
        return !other || std::pair{moved, price} < std::pair{other->moved, other->price};
    }
};

class Amender {
public:
    Amender(Week const& week, Plan const& published, AmendSettings const& settings)
        : week_{week}, settings_{settings}, told_{told_by(week, published)}, plan_{published} {}

    Amended run() {
        Amended amended;
        for (int const v : new_ones()) {
            most_moved_ = is_left(v) ? 0 : settings_.most_moved;
            auto change = place(v);
            if (!change && most_moved_ > 0) {
                change = make_room(v);
            }
            if (!change || change->price >= week_.visits[static_cast<std::size_t>(v)].unserved) {
                amended.not_placed.push_back(v);
                continue;
            }
            for (auto& [s, route] : change->routes) {
                plan_.routes[s] = std::move(route);
            }
        }
        amended.moved = moved_in(plan_);
        amended.plan = std::move(plan_);
        return amended;
    }

private:
    // What is dearest to leave first; what was left before comes last.
    std::vector<int> new_ones() const {
        std::vector<int> found;
        for (std::size_t v = 0; v < told_.size(); ++v) {
            if (told_[v].shift == nowhere) {
                found.push_back(static_cast<int>(v));
            }
        }
        std::stable_sort(found.begin(), found.end(), [&](int a, int b) {
            if (is_left(a) != is_left(b)) {
                return is_left(b);
            }
            return week_.visits[static_cast<std::size_t>(a)].unserved >
                   week_.visits[static_cast<std::size_t>(b)].unserved;
        });
        return found;
    }

    bool is_left(int v) const {
        return std::find(settings_.left.begin(), settings_.left.end(), v) != settings_.left.end();
    }

    bool moved(int v, std::size_t s, Ticks begin) const {
        auto const& told = told_[static_cast<std::size_t>(v)];
        return told.shift != nowhere &&
               (told.shift != static_cast<int>(s) || std::abs(begin - told.begin) > settings_.tolerance);
    }

    std::vector<int> moved_in(Plan const& plan) const {
        std::vector<int> result;
        auto const now = told_by(week_, plan);
        for (std::size_t v = 0; v < now.size(); ++v) {
            if (now[v].shift != nowhere &&
                moved(static_cast<int>(v), static_cast<std::size_t>(now[v].shift), now[v].begin)) {
                result.push_back(static_cast<int>(v));
            }
        }
        return result;
    }

    bool taken(std::size_t s) const {
        for (std::size_t other = 0; other < week_.shifts.size(); ++other) {
            if (other != s && !plan_.routes[other].empty() && exclude(week_.shifts[s], week_.shifts[other])) {
                return true;
            }
        }
        return false;
    }

    // Price and moved of a route; empty: it breaks a rule.
    std::optional<Change> weigh(std::size_t s, Route const& route) const {
        if (!route.empty() && taken(s)) {
            return std::nullopt;
        }
        auto const judged = judge_shift(week_, s, route);
        if (judged.broken) {
            return std::nullopt;
        }
        Change change{{{s, route}}, 0, judged.price};
        for (auto const& stop : judged.timetable.stops) {
            change.moved += moved(stop.visit, s, stop.begin) ? 1 : 0;
        }
        return change;
    }

    std::size_t moved_already(std::size_t s) const {
        auto const table = timetable(week_, s, plan_.routes[s]);
        std::size_t count = 0;
        for (std::size_t i = 0; table && i < table->stops.size(); ++i) {
            count += moved(table->stops[i].visit, s, table->stops[i].begin) ? 1 : 0;
        }
        return count;
    }

    bool could(std::size_t s, int v) const {
        return fits(week_.shifts[s], week_.visits[static_cast<std::size_t>(v)], s);
    }

    // The best place for `v` in `route` of shift `s`, against what that route is now.
    std::optional<Change> best_in(std::size_t s, Route const& route, int v) const {
        std::optional<Change> best;
        for (std::size_t at = 0; could(s, v) && at <= route.size(); ++at) {
            auto longer = route;
            longer.insert(longer.begin() + static_cast<std::ptrdiff_t>(at), v);
            auto change = weigh(s, longer);
            if (change && change->better_than(best)) {
                best = std::move(change);
            }
        }
        return best;
    }

    std::optional<Change> place(int v, int not_in = nowhere) const {
        std::optional<Change> best;
        for (std::size_t s = 0; s < week_.shifts.size(); ++s) {
            auto change = static_cast<int>(s) == not_in ? std::nullopt : best_in(s, plan_.routes[s], v);
            if (!change) {
                continue;
            }
            change->price -= judge_shift(week_, s, plan_.routes[s]).price;
            auto const before = moved_already(s);
            change->moved -= std::min(change->moved, before);
            if (change->moved <= most_moved_ && change->better_than(best)) {
                best = std::move(change);
            }
        }
        return best;
    }

    // Another visit leaves its shift to `v`.
    std::optional<Change> make_room(int v) const {
        std::optional<Change> best;
        for (std::size_t s = 0; s < week_.shifts.size(); ++s) {
            for (int const other : plan_.routes[s]) {
                auto shorter = plan_.routes[s];
                std::erase(shorter, other);
                auto here = best_in(s, shorter, v);
                if (!here || here->moved + 1 > most_moved_) {
                    continue;
                }
                auto there = place(other, static_cast<int>(s));
                if (!there) {
                    continue;
                }
                here->price -= judge_shift(week_, s, plan_.routes[s]).price;
                here->routes.push_back(std::move(there->routes.front()));
                here->moved += there->moved;
                here->price += there->price;
                if (here->moved <= most_moved_ && here->better_than(best)) {
                    best = std::move(here);
                }
            }
        }
        return best;
    }

    Week const& week_;
    AmendSettings const& settings_;
    std::vector<Told> told_;
    Plan plan_;
    std::size_t most_moved_ = 0;  // for the visit that is being placed
};

}  // namespace

Amended amend(Week const& week, Plan const& published, AmendSettings const& settings) {
    return Amender{week, published, settings}.run();
}

}  // namespace probekeeper::rounds

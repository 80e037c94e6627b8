#include "rounds/ruin.h"

#include <algorithm>
#include <cassert>

#include "rounds/random.h"
#include "rounds/routes.h"

namespace probekeeper::rounds {
namespace {

// How many stops are taken out at a time on average (10 in the paper; weeks of seeds 1001 to 1003 come out
// cheaper with 15), the longest string, and how often a place that would do is overlooked.
constexpr double removed_on_average = 15.0;
constexpr std::size_t longest_string = 10;
constexpr std::uint32_t overlooked_one_in = 100;
// Visits that are not made are tried again a few at a time: there may be hundreds that fit nowhere.
constexpr std::size_t tried_again = 12;
// By trial on weeks of the seeds 1001 and 1002: how much worse, in ways between neighbours, a plan may be at
// first, and how often whole days are cleared, without which the search does not find out what is best on
// which day.
constexpr double hot_ways = 0.1;
constexpr double hot_ways_of_one = 1.0;  // a single tour has nothing but its order to search
constexpr std::uint32_t days_cleared_one_in = 5;

class Ruiner {
public:
    Ruiner(Week const& week, SearchSettings const& settings)
        : week_{week}, settings_{settings}, random_{settings.seed}, now_{week} {
        make_neighbours();
        for (std::size_t v = 0; v < week.visits.size(); ++v) {
            waiting_.push_back(static_cast<int>(v));
        }
    }

    Found run(Plan const* begin) {
        if (begin != nullptr) {
            now_.take(*begin);
            std::erase_if(waiting_, [&](int v) { return now_.shift_of(v) >= 0; });
        } else {
            put_back(0);
        }
        Found found{now_.plan(), now_.price(), 0, false};
        auto const total = settings_.iterations;
        double const hot = mean_way() * (week_.shifts.size() > 1 ? hot_ways : hot_ways_of_one);
        for (std::int64_t i = 0; i < total && !week_.visits.empty(); ++i) {
            if (i % 256 == 0 && settings_.go_on && !settings_.go_on({i, total, found.price})) {
                found.cut_short = true;
                break;
            }
            step(temperature(hot, i, total), found);
            found.iterations = i + 1;
        }
        return found;
    }

private:
    // Halves four times on the way, straight in between: a pow() whose last bit differs would change the
    // plan.
    static double temperature(double hot, std::int64_t i, std::int64_t total) {
        constexpr int halvings = 4;
        double const way = static_cast<double>(i) / static_cast<double>(total) * halvings;
        int const whole = static_cast<int>(way);
        double const at = hot / static_cast<double>(1 << whole);
        return at * (1.0 - 0.5 * (way - whole));
    }

    double mean_way() const {
        double sum = 1.0;
        int count = 1;
        for (auto const& near : near_) {
            for (std::size_t k = 1; k < std::min<std::size_t>(near.size(), 6); ++k) {
                sum += static_cast<double>(
                    week_.way(place(near[0]), place(near[k])) *
                    std::max<Price>(1, week_.shifts.empty() ? 1 : week_.shifts[0].per_drive));
                ++count;
            }
        }
        return sum / count;
    }

    int place(int v) const { return week_.visits[static_cast<std::size_t>(v)].place; }

    void make_neighbours() {
        auto const n = static_cast<int>(week_.visits.size());
        near_.resize(week_.visits.size());
        for (int v = 0; v < n; ++v) {
            auto& near = near_[static_cast<std::size_t>(v)];
            for (int u = 0; u < n; ++u) {
                near.push_back(u);
            }
            auto const far = [&](int u) {
                return u == v ? std::int64_t{-1}
                              : std::int64_t{week_.way(place(v), place(u))} + week_.way(place(u), place(v));
            };
            std::stable_sort(near.begin(), near.end(), [&](int a, int b) { return far(a) < far(b); });
        }
    }

    void step(double heat, Found& found) {
        auto const before = now_.price();
        now_.remember();
        auto const waiting_before = waiting_;
        overlooked_shift_one_in_ = 0;
        if (week_.shifts.size() > 1 && random_.one_in(days_cleared_one_in)) {
            clear_days();
            overlooked_shift_one_in_ = 3;
        } else {
            take_strings();
        }
        put_back(waiting_before.size());
        auto const after = now_.price();
        if (static_cast<double>(after - before) < heat * random_.exponential()) {
            if (after < found.price) {
                found.price = after;
                found.plan = now_.plan();
            }
            return;
        }
        now_.restore();
        waiting_ = waiting_before;
    }

    void take_out(std::size_t shift, std::size_t from, std::size_t count) {
        auto const& route = now_.route(shift);
        for (std::size_t i = from; i < from + count; ++i) {
            waiting_.push_back(route[i]);
        }
        now_.remove(shift, from, count);
    }

    void take_strings() {
        std::size_t used = 0, stops = 0;
        for (std::size_t s = 0; s < week_.shifts.size(); ++s) {
            used += now_.route(s).empty() ? 0 : 1;
            stops += now_.route(s).size();
        }
        if (stops == 0) {
            return;
        }
        double const mean = static_cast<double>(stops) / static_cast<double>(used);
        double const longest = std::min(static_cast<double>(longest_string), mean);
        double const most = 4.0 * removed_on_average / (1.0 + longest) - 1.0;
        auto strings = static_cast<int>(random_.unit() * most + 1.0);
        auto const seed = random_.below(static_cast<std::uint32_t>(week_.visits.size()));
        std::vector<std::size_t> touched;
        for (int const v : near_[seed]) {
            if (strings == 0) {
                break;
            }
            auto const shift = now_.shift_of(v);
            if (shift < 0 || std::find(touched.begin(), touched.end(), shift) != touched.end()) {
                continue;
            }
            auto const s = static_cast<std::size_t>(shift);
            auto const size = now_.route(s).size();
            double const top = std::min(static_cast<double>(size), longest);
            auto const count = std::min(size, static_cast<std::size_t>(random_.unit() * top + 1.0));
            auto const at = static_cast<std::size_t>(
                std::find(now_.route(s).begin(), now_.route(s).end(), v) - now_.route(s).begin());
            take_string(s, at, count);
            touched.push_back(s);
            --strings;
        }
    }

    // `count` stops around place `at`; half of the time some in the middle stay.
    void take_string(std::size_t s, std::size_t at, std::size_t count) {
        auto const size = now_.route(s).size();
        std::size_t kept = 0;
        if (count > 1 && count < size && random_.one_in(2)) {
            kept = 1;
            while (count + kept < size && !random_.one_in(100) && kept < 3) {
                ++kept;
            }
        }
        auto const span = std::min(size, count + kept);
        kept = span - count;
        auto const lowest = at + 1 >= span ? at + 1 - span : 0;
        auto const highest = std::min(at, size - span);
        auto const from = lowest + random_.below(static_cast<std::uint32_t>(highest - lowest + 1));
        if (kept == 0) {
            take_out(s, from, count);
            return;
        }
        auto const head = 1 + random_.below(static_cast<std::uint32_t>(count - 1));
        take_out(s, from + head + kept, count - head);
        take_out(s, from, head);
    }

    // Some whole shifts, and those that share a person with them: two who went alone may then go together.
    void clear_days() {
        for (auto left = 1 + random_.below(3); left > 0; --left) {
            auto const s = random_.below(static_cast<std::uint32_t>(week_.shifts.size()));
            take_out(s, 0, now_.route(s).size());
            for (auto const other : now_.excluded_by(s)) {
                take_out(other, 0, now_.route(other).size());
            }
        }
    }

    // What was taken out just now, and a few of those that waited before; at first all.
    void put_back(std::size_t waited) {
        for (std::size_t k = 0; waited > tried_again && k < tried_again; ++k) {
            auto const left = waited - tried_again;
            std::swap(waiting_[left + k], waiting_[random_.below(static_cast<std::uint32_t>(left + k + 1))]);
        }
        auto const first = waited > tried_again ? waited - tried_again : 0;
        std::vector<int> tried{waiting_.begin() + static_cast<std::ptrdiff_t>(first), waiting_.end()};
        waiting_.resize(first);
        sort(tried);
        for (int const v : tried) {
            auto const best = best_place(v);
            if (best.shift >= 0 && best.price < week_.visits[static_cast<std::size_t>(v)].unserved) {
                now_.insert(v, best);
            } else {
                waiting_.push_back(v);
            }
        }
    }

    void sort(std::vector<int>& tried) {
        for (std::size_t i = tried.size(); i > 1; --i) {
            std::swap(tried[i - 1], tried[random_.below(static_cast<std::uint32_t>(i))]);
        }
        auto const key = random_.below(4);
        if (key == 0) {
            return;
        }
        auto const value = [&](int v) -> std::int64_t {
            auto const& visit = week_.visits[static_cast<std::size_t>(v)];
            auto const home = week_.shifts.empty() ? 0 : week_.way(week_.shifts[0].start, visit.place);
            // First what needs two, for it needs an empty day; then what is heavy, far, near, or dear to
            // leave.
            switch (key) {
                case 1:
                    return -visit.work - visit.load;
                case 2:
                    return -home;
                default:
                    return visit.unserved > 0 && random_.one_in(2) ? -visit.unserved : home;
            }
        };
        std::vector<std::pair<std::int64_t, int>> keyed;
        for (int const v : tried) {
            keyed.emplace_back(value(v), v);
        }
        std::stable_sort(keyed.begin(), keyed.end(), [&](auto const& a, auto const& b) {
            auto const crew_a = week_.visits[static_cast<std::size_t>(a.second)].crew;
            auto const crew_b = week_.visits[static_cast<std::size_t>(b.second)].crew;
            return crew_a != crew_b ? crew_a > crew_b : a.first < b.first;
        });
        for (std::size_t i = 0; i < keyed.size(); ++i) {
            tried[i] = keyed[i].second;
        }
    }

    Place best_place(int v) {
        Place best;
        for (auto const s : now_.shifts_for(v)) {
            if (overlooked_shift_one_in_ > 0 && random_.one_in(overlooked_shift_one_in_)) {
                continue;
            }
            now_.offer(v, s, best, [this] { return random_.one_in(overlooked_one_in); });
        }
        return best;
    }

    Week const& week_;
    SearchSettings const& settings_;
    Random random_;
    Routes now_;
    std::vector<int> waiting_;  // visits in no route
    // Whole days that were cleared fill again as they were, unless some are left aside. 0: none.
    std::uint32_t overlooked_shift_one_in_ = 0;
    std::vector<std::vector<int>> near_;
};

}  // namespace

Found ruin(Week const& week, SearchSettings const& settings, Plan const* begin) {
    return Ruiner{week, settings}.run(begin);
}

}  // namespace probekeeper::rounds

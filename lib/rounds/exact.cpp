#include "rounds/exact.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <unordered_map>

namespace probekeeper::rounds {
namespace {

using Set = std::uint64_t;

constexpr Set only(int v) {
    return Set{1} << static_cast<unsigned>(v);
}

// A way of making exactly the visits of `set`, ending with `last`.
struct Label {
    Set set = 0;
    Ticks leave = 0, driving = 0;
    int last = -1;
};

// What one shift can make, and the price of it by its best order.
struct Column {
    Set set = 0;
    Price price = 0;
};

class Counter {
public:
    Counter(Week const& week, std::size_t shift, Set among, ExactLimits const& limits)
        : week_{week}, s_{shift}, shift_{week.shifts[shift]}, among_{among}, limits_{limits} {}

    // Empty: too many.
    std::optional<std::vector<Column>> columns(std::size_t most) {
        std::unordered_map<Set, Ticks> best;
        std::vector<Label> level{{0, shift_.open, 0, -1}};
        while (!level.empty()) {
            std::vector<Label> next;
            for (auto const& label : level) {
                if (!extend(label, next, best)) {
                    return std::nullopt;
                }
            }
            if (best.size() > most) {
                return std::nullopt;
            }
            level = undominated(std::move(next));
        }
        std::vector<Column> result;
        for (auto const& [set, driving] : best) {
            result.push_back({set, price(set, driving)});
        }
        std::sort(result.begin(), result.end(),
                  [](Column const& a, Column const& b) { return a.set < b.set; });
        return result;
    }

    // The order of least driving for all of `among`, which must be possible.
    std::vector<int> order() {
        std::vector<std::vector<Label>> levels{{{0, shift_.open, 0, -1}}};
        std::unordered_map<Set, Ticks> best;
        while (levels.size() <= static_cast<std::size_t>(std::popcount(among_))) {
            std::vector<Label> next;
            for (auto const& label : levels.back()) {
                extend(label, next, best);
            }
            levels.push_back(undominated(std::move(next)));
        }
        return walk_back(levels, best.at(among_));
    }

private:
    Visit const& visit(int v) const { return week_.visits[static_cast<std::size_t>(v)]; }
    int place(int last) const { return last < 0 ? shift_.start : visit(last).place; }

    bool extend(Label const& label, std::vector<Label>& next, std::unordered_map<Set, Ticks>& best) const {
        for (Set rest = among_ & ~label.set; rest != 0; rest &= rest - 1) {
            int const v = std::countr_zero(rest);
            auto const longer = with(label, v);
            if (!longer) {
                continue;
            }
            next.push_back(*longer);
            if (next.size() > limits_.labels * 4) {
                return false;
            }
            auto const back = week_.way(visit(v).place, shift_.end);
            auto const driving = longer->driving + back;
            if (longer->leave + back <= shift_.close && driving + work(longer->set) <= shift_.longest) {
                auto const [at, is_new] = best.emplace(longer->set, driving);
                at->second = std::min(at->second, driving);
            }
        }
        return true;
    }

    std::optional<Label> with(Label const& label, int v) const {
        auto const& who = visit(v);
        if (!fits(shift_, who, s_) || (label.last >= 0 && who.rank < visit(label.last).rank)) {
            return std::nullopt;
        }
        auto const way = week_.way(place(label.last), who.place);
        for (auto const& window : who.windows) {
            auto const begin = std::max(label.leave + way, window.open);
            if (begin + who.work > window.close) {
                continue;
            }
            Label longer{label.set | only(v), begin + who.work, label.driving + way, v};
            bool const in_time = longer.leave <= shift_.close && load(longer.set) <= shift_.capacity &&
                                 longer.driving + work(longer.set) <= shift_.longest;
            return in_time ? std::optional{longer} : std::nullopt;
        }
        return std::nullopt;
    }

    // Of two labels with the same set and last visit, one that is neither earlier nor shorter is of no use.
    std::vector<Label> undominated(std::vector<Label> labels) const {
        std::sort(labels.begin(), labels.end(), [](Label const& a, Label const& b) {
            return std::tie(a.set, a.last, a.leave, a.driving) < std::tie(b.set, b.last, b.leave, b.driving);
        });
        std::vector<Label> kept;
        for (auto const& label : labels) {
            bool const same = !kept.empty() && kept.back().set == label.set && kept.back().last == label.last;
            if (!same || label.driving < kept.back().driving) {
                kept.push_back(label);
            }
        }
        return kept;
    }

    std::vector<int> walk_back(std::vector<std::vector<Label>> const& levels, Ticks driving) const {
        std::vector<int> route;
        Label const* at = nullptr;
        for (auto const& label : levels.back()) {
            auto const back = week_.way(visit(label.last).place, shift_.end);
            if (label.driving + back == driving && label.leave + back <= shift_.close) {
                at = &label;
                break;
            }
        }
        for (auto level = levels.size() - 1; level > 0 && at != nullptr; --level) {
            route.insert(route.begin(), at->last);
            Label const* before = nullptr;
            for (auto const& label : levels[level - 1]) {
                if ((at->set & ~only(at->last)) == label.set) {
                    auto const longer = with(label, at->last);
                    if (longer && longer->leave == at->leave && longer->driving == at->driving) {
                        before = &label;
                        break;
                    }
                }
            }
            at = before;
        }
        return route;
    }

    Ticks work(Set set) const {
        Ticks sum = 0;
        for (; set != 0; set &= set - 1) {
            sum += visit(std::countr_zero(set)).work;
        }
        return sum;
    }
    std::int64_t load(Set set) const {
        std::int64_t sum = 0;
        for (; set != 0; set &= set - 1) {
            sum += visit(std::countr_zero(set)).load;
        }
        return sum;
    }
    // Less what the visits would cost unserved: so a week in which nobody goes anywhere costs nothing.
    Price price(Set set, Ticks driving) const {
        Price sum = shift_.fixed + shift_.per_drive * driving +
                    shift_.per_overtime * std::max(0, driving + work(set) - shift_.regular);
        for (; set != 0; set &= set - 1) {
            auto const& who = visit(std::countr_zero(set));
            sum += (who.in_shift.empty() ? 0 : who.in_shift[s_]) - who.unserved;
        }
        return sum;
    }

    Week const& week_;
    std::size_t s_;
    Shift const& shift_;
    Set among_;
    ExactLimits const& limits_;
};

// Shifts that are alike, with the columns that they share.
struct Group {
    std::vector<std::size_t> shifts;
    std::vector<Column> columns;
};

bool alike(Week const& week, std::size_t a, std::size_t b) {
    auto const& x = week.shifts[a];
    auto const& y = week.shifts[b];
    auto const key = [](Shift const& s) {
        return std::tie(s.start, s.end, s.open, s.close, s.regular, s.longest, s.capacity, s.per_drive,
                        s.per_overtime, s.fixed, s.skills, s.crew);
    };
    auto const alone = [&](std::size_t s) {
        return std::none_of(week.shifts.begin(), week.shifts.end(), [&](Shift const& other) {
            return &other != &week.shifts[s] && exclude(other, week.shifts[s]);
        });
    };
    return key(x) == key(y) && alone(a) && alone(b) &&
           std::all_of(week.visits.begin(), week.visits.end(),
                       [&](Visit const& v) { return v.in_shift.empty() || v.in_shift[a] == v.in_shift[b]; });
}

class Chooser {
public:
    // `shares`: of each visit, what the known plan saves by making it; a good place to begin.
    Chooser(Week const& week, std::vector<Group> groups, Price known, std::vector<double> shares,
            ExactLimits const& limits)
        : week_{week}, groups_{std::move(groups)}, best_{known}, limits_{limits}, dual_{std::move(shares)} {}

    struct Chosen {
        std::vector<std::pair<std::size_t, Set>> columns;  // group and set
        Price bound = 0;
        bool finished = false, better = false;
    };

    Chosen run() {
        raise_bound();
        Chosen chosen;
        if (bound_price() >= best_) {
            chosen.bound = best_;
            chosen.finished = true;
            return chosen;
        }
        auto const root = bound_price();
        drop_hopeless();
        std::vector<std::pair<std::size_t, std::size_t>> slots;  // (group, how many of it before)
        for (std::size_t g = 0; g < groups_.size(); ++g) {
            for (std::size_t k = 0; k < groups_[g].shifts.size(); ++k) {
                slots.emplace_back(g, k);
            }
        }
        slots_ = std::move(slots);
        rest_.assign(slots_.size() + 1, 0.0);
        for (std::size_t i = slots_.size(); i-- > 0;) {
            rest_[i] = rest_[i + 1] + least_[slots_[i].first];
        }
        branch(0, 0, 0, 0.0, 0);
        chosen.finished = nodes_ <= limits_.nodes;
        chosen.better = found_;
        chosen.columns = best_columns_;
        chosen.bound = chosen.finished ? best_ : root;
        return chosen;
    }

private:
    double reduced(Column const& column) const {
        double sum = static_cast<double>(column.price);
        for (Set set = column.set; set != 0; set &= set - 1) {
            sum += dual_[static_cast<std::size_t>(std::countr_zero(set))];
        }
        return sum;
    }

    // Prices are whole, so a bound of 7.2 is one of 8; what doubles lose is far below that.
    Price bound_price() const { return static_cast<Price>(std::ceil(bound_ - 1e-6)); }

    // max over dual >= 0 of -sum(dual) + sum over groups of (shifts) * min(0, least reduced price)
    void raise_bound() {
        auto current = dual_;
        auto best_dual = dual_;
        bound_ = -1e300;
        double step = 2.0;
        int since = 0;
        for (int round = 0; round < 600 && step > 1e-7; ++round) {
            dual_ = current;
            std::vector<double> slope(dual_.size(), -1.0);
            double value = 0.0;
            for (auto const& d : dual_) {
                value -= d;
            }
            for (auto const& group : groups_) {
                double least = 0.0;
                Set set = 0;
                for (auto const& column : group.columns) {
                    auto const r = reduced(column);
                    if (r < least) {
                        least = r;
                        set = column.set;
                    }
                }
                value += least * static_cast<double>(group.shifts.size());
                for (; set != 0; set &= set - 1) {
                    slope[static_cast<std::size_t>(std::countr_zero(set))] +=
                        static_cast<double>(group.shifts.size());
                }
            }
            if (value > bound_ + 1e-9) {
                bound_ = value;
                best_dual = dual_;
                since = 0;
            } else if (++since >= 15) {
                step *= 0.5;
                since = 0;
                current = best_dual;
                continue;
            }
            if (bound_price() >= best_) {
                break;
            }
            double norm = 0.0;
            for (std::size_t v = 0; v < slope.size(); ++v) {
                if (slope[v] < 0.0 && dual_[v] <= 0.0) {
                    slope[v] = 0.0;
                }
                norm += slope[v] * slope[v];
            }
            if (norm == 0.0) {
                break;
            }
            double const length = step * (static_cast<double>(best_) - value) / norm;
            for (std::size_t v = 0; v < slope.size(); ++v) {
                current[v] = std::max(0.0, dual_[v] + length * slope[v]);
            }
        }
        dual_ = best_dual;
    }

    void drop_hopeless() {
        double const gap = static_cast<double>(best_) - bound_;
        least_.assign(groups_.size(), 0.0);
        for (std::size_t g = 0; g < groups_.size(); ++g) {
            for (auto const& column : groups_[g].columns) {
                least_[g] = std::min(least_[g], reduced(column));
            }
        }
        for (std::size_t g = 0; g < groups_.size(); ++g) {
            auto& columns = groups_[g].columns;
            std::erase_if(columns, [&](Column const& c) { return reduced(c) - least_[g] >= gap; });
            std::stable_sort(columns.begin(), columns.end(),
                             [&](Column const& a, Column const& b) { return reduced(a) < reduced(b); });
        }
        base_ = 0.0;
        for (double const d : dual_) {
            base_ -= d;
        }
    }

    // `reduced_sum`: of the columns chosen; of shifts alike the columns come in order, for swapping them is
    // no other plan.
    void branch(std::size_t slot, Set made, Price price, double reduced_sum, std::size_t first) {
        if (nodes_ % 4096 == 0 && limits_.go_on && !limits_.go_on()) {
            nodes_ = limits_.nodes;
        }
        if (++nodes_ > limits_.nodes) {
            return;
        }
        if (price < best_) {
            best_ = price;
            best_columns_ = columns_;
            found_ = true;
        }
        if (slot == slots_.size()) {
            return;
        }
        auto const g = slots_[slot].first;
        auto const begin = slots_[slot].second == 0 ? 0 : first;
        auto const limit = static_cast<double>(best_) - base_ - reduced_sum - rest_[slot + 1];
        auto const& columns = groups_[g].columns;
        for (std::size_t i = begin; i < columns.size(); ++i) {
            auto const r = reduced(columns[i]);
            if (std::ceil(r - limit + static_cast<double>(best_) - 1e-6) >= static_cast<double>(best_)) {
                break;
            }
            if ((columns[i].set & made) != 0 || excluded(g)) {
                continue;
            }
            columns_.emplace_back(g, columns[i].set);
            branch(slot + 1, made | columns[i].set, price + columns[i].price, reduced_sum + r, i + 1);
            columns_.pop_back();
        }
        // Nobody goes: then nobody of those alike either.
        auto next = slot + 1;
        while (next < slots_.size() && slots_[next].first == g) {
            ++next;
        }
        if (base_ + reduced_sum + rest_[next] < static_cast<double>(best_) - 1e-6) {
            branch(next, made, price, reduced_sum, 0);
        }
    }

    bool excluded(std::size_t g) const {
        auto const& mine = week_.shifts[groups_[g].shifts[0]];
        return std::any_of(columns_.begin(), columns_.end(), [&](auto const& chosen) {
            return chosen.first != g && exclude(mine, week_.shifts[groups_[chosen.first].shifts[0]]);
        });
    }

    Week const& week_;
    std::vector<Group> groups_;
    Price best_;
    ExactLimits const& limits_;
    std::vector<double> dual_, least_, rest_;
    std::vector<std::pair<std::size_t, std::size_t>> slots_;
    double bound_ = 0.0, base_ = 0.0;
    std::int64_t nodes_ = 0;
    std::vector<std::pair<std::size_t, Set>> columns_, best_columns_;
    bool found_ = false;
};

std::optional<std::vector<Group>> count(Week const& week, ExactLimits const& limits) {
    std::vector<Group> groups;
    std::size_t total = 0;
    Set const all = week.visits.size() == 64 ? ~Set{0} : only(static_cast<int>(week.visits.size())) - 1;
    for (std::size_t s = 0; s < week.shifts.size(); ++s) {
        auto const same = std::find_if(groups.begin(), groups.end(),
                                       [&](Group const& g) { return alike(week, g.shifts[0], s); });
        if (same != groups.end()) {
            same->shifts.push_back(s);
            continue;
        }
        auto columns = Counter{week, s, all, limits}.columns(limits.sets - total);
        if (!columns) {
            return std::nullopt;
        }
        total += columns->size();
        groups.push_back({{s}, std::move(*columns)});
    }
    return groups;
}

// What a plan saves by each visit it makes: what the visit would cost unserved, less its share of its route.
std::vector<double> savings(Week const& week, Plan const& plan) {
    std::vector<double> shares(week.visits.size(), 0.0);
    for (std::size_t s = 0; s < plan.routes.size(); ++s) {
        auto const& route = plan.routes[s];
        if (route.empty()) {
            continue;
        }
        Plan alone{std::vector<std::vector<int>>(week.shifts.size())};
        alone.routes[s] = route;
        auto price = static_cast<double>(judge(week, alone).price);
        for (std::size_t v = 0; v < week.visits.size(); ++v) {
            bool const made = std::find(route.begin(), route.end(), static_cast<int>(v)) != route.end();
            price -= made ? 0.0 : static_cast<double>(week.visits[v].unserved);
        }
        for (int const v : route) {
            auto const unserved = static_cast<double>(week.visits[static_cast<std::size_t>(v)].unserved);
            shares[static_cast<std::size_t>(v)] =
                std::max(0.0, unserved - price / static_cast<double>(route.size()));
        }
    }
    return shares;
}

}  // namespace

std::optional<Proof> prove(Week const& week, Plan const& known, ExactLimits const& limits) {
    constexpr std::size_t most_visits = 63;
    if (week.visits.size() > most_visits) {
        return std::nullopt;
    }
    auto groups = count(week, limits);
    if (!groups) {
        return std::nullopt;
    }
    Price nobody = 0;
    for (auto const& visit : week.visits) {
        nobody += visit.unserved;
    }
    Proof proof{known, judge(week, known).price, 0, false};
    auto const shifts_of = *groups;
    auto const chosen =
        Chooser{week, std::move(*groups), proof.price - nobody, savings(week, known), limits}.run();
    if (chosen.better) {
        proof.plan.routes.assign(week.shifts.size(), {});
        std::vector<std::size_t> used(shifts_of.size(), 0);
        for (auto const& [g, set] : chosen.columns) {
            auto const s = shifts_of[g].shifts[used[g]++];
            proof.plan.routes[s] = Counter{week, s, set, limits}.order();
        }
        proof.price = judge(week, proof.plan).price;
    }
    proof.bound = chosen.finished ? proof.price : chosen.bound + nobody;
    proof.optimal = chosen.finished;
    return proof;
}

}  // namespace probekeeper::rounds

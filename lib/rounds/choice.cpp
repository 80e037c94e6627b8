#include "rounds/choice.h"

#include <algorithm>
#include <cmath>
#include <numeric>

#include "rounds/packing.h"
#include "rounds/random.h"

namespace probekeeper::rounds {
namespace {

// By trial on weeks of the seeds 2001 to 2004: routes taken from one look at a kind, kinds looked at between
// two packings, the least share that is made whole beside the largest, and how many are at a time.
constexpr std::size_t routes_a_look = 10;
constexpr std::size_t kinds_at_a_time = 4;
constexpr double nearly_whole = 0.7, as_good_as_whole = 0.98;
constexpr std::size_t whole_at_a_time = 5;
// A packing that is better by less than this share after all kinds have been looked at is done, unless so
// many routes a kind were new: at first they only take the worth of each other's visits apart.
constexpr double hardly_better = 2e-4;
constexpr std::size_t many_new = 1;
// How far the worth of things is taken from what it was before and from the routes there were at first, and
// not from the packing, of which whole routes hang on one visit at first; how much less each time all kinds
// have been looked at, and by how much what it was before follows the packing.
constexpr double steady_at_first = 0.7, steady_later = 0.75, steady_enough = 0.05;
constexpr double follows = 0.3;
// A route that pays less than this share of what a visit costs unmade is not worth a column.
constexpr double least_gain = 1e-3;
constexpr std::size_t most_columns = 30'000;
// Measured on a core of 2024, in nanoseconds: for each cell of the inverse that a step of the simplex
// changes, and for each label tried.
constexpr double per_cell = 0.33;
constexpr std::int64_t per_compared = 10, per_label = 17;

}  // namespace

// The columns that are still possible, packed.
class Packed {
public:
    // `steady`: what things may be worth before anything is packed; empty: only the packing knows.
    Packed(Choice& choice, Choice::Rest& rest, std::optional<Choice::Worth> steady)
        : choice_{choice},
          rest_{rest},
          packing_{rows()},
          worth_{std::vector<Price>(rest.visits.size(), 0), std::vector<Price>(rest.crews.size(), 0)},
          steady_{std::move(steady)},
          steadiness_{steady_ ? steady_at_first : 0.0} {
        for (std::size_t v = 0; v < rest.visits.size(); ++v) {
            nothing_ += rest.visits[v] != 0
                            ? static_cast<double>(choice_.week_.visits[v].unserved) / choice_.scale_
                            : 0.0;
        }
        choice_.finder_.among(rest.visits);
        std::vector<int> place(choice_.columns_.size(), -1);
        std::erase_if(rest_.possible,
                      [&](std::size_t c) { return !choice_.fits_rest(choice_.columns_[c], rest_); });
        for (auto const c : rest_.possible) {
            place[c] = static_cast<int>(put(c));
        }
        for (auto const c : rest.hint) {
            if (place[c] >= 0) {
                packing_.enter(place[c]);
            }
        }
        pack();
    }

    // Looks at so many kinds, and less where nothing new pays any more. False: it was told to stop.
    bool improve(std::size_t looks, std::int64_t spent_by, Choice::GoOn const& go_on) {
        auto const kinds = choice_.kinds_.shifts.size();
        double cost_before = nothing_ + packing_.cost();
        std::size_t new_of_all = 0;
        for (std::size_t look = 0, dry = 0; look < looks && dry < kinds && choice_.spent_ < spent_by;) {
            if (!go_on()) {
                return false;
            }
            std::size_t added = 0;
            for (std::size_t i = 0; i < kinds_at_a_time && dry < kinds; ++i, ++look) {
                steadiness_ *= look > 0 && look % kinds == 0 ? steady_later : 1.0;
                auto const here = look_at(look % kinds);
                dry = here > 0 ? 0 : dry + 1;
                added += here;
            }
            new_of_all += added;
            if (added > 0) {
                pack();
            }
            if (look / kinds != (look - kinds_at_a_time) / kinds) {
                auto const cost = nothing_ + packing_.cost();
                if (new_of_all < many_new * kinds && cost > cost_before * (1.0 - hardly_better)) {
                    break;
                }
                cost_before = cost;
                new_of_all = 0;
            }
        }
        return true;
    }

    // In prices, of what is not yet fixed: hardly any choice of routes comes below.
    [[nodiscard]] double cost() const { return (nothing_ + packing_.cost()) * choice_.scale_; }

    // Columns with which all would cost `limit` or more are not possible any more.
    void drop(double limit) {
        auto const gap = (limit - cost()) / choice_.scale_;
        rest_.possible.clear();
        for (std::size_t j = 0; j < columns_.size(); ++j) {
            if (packing_.share(j) > 0.0 || packing_.reduced(j) < gap) {
                rest_.possible.push_back(columns_[j]);
            }
        }
    }

    // The columns with a share, the largest first.
    [[nodiscard]] std::vector<std::pair<double, std::size_t>> shares() const {
        std::vector<std::pair<double, std::size_t>> shares;
        for (std::size_t j = 0; j < columns_.size(); ++j) {
            if (packing_.share(j) > 0.01) {
                shares.emplace_back(packing_.share(j), columns_[j]);
            }
        }
        std::stable_sort(shares.begin(), shares.end(),
                         [](auto const& a, auto const& b) { return a.first > b.first; });
        return shares;
    }

private:
    std::vector<int> rows() {
        std::vector<int> most;
        row_of_visit_.assign(rest_.visits.size(), -1);
        row_of_crew_.assign(rest_.crews.size(), -1);
        for (std::size_t v = 0; v < rest_.visits.size(); ++v) {
            if (rest_.visits[v] != 0) {
                row_of_visit_[v] = static_cast<int>(most.size());
                most.push_back(1);
            }
        }
        for (std::size_t c = 0; c < rest_.crews.size(); ++c) {
            if (rest_.crews[c] > 0) {
                row_of_crew_[c] = static_cast<int>(most.size());
                most.push_back(rest_.crews[c]);
            }
        }
        return most;
    }

    std::size_t put(std::size_t c) {
        auto const& column = choice_.columns_[c];
        auto cost = column.price;
        filled_.clear();
        for (int const v : column.visits) {
            filled_.push_back(row_of_visit_[static_cast<std::size_t>(v)]);
            cost -= choice_.week_.visits[static_cast<std::size_t>(v)].unserved;
        }
        for (int const crew : choice_.kinds_.crews[column.kind]) {
            filled_.push_back(row_of_crew_[static_cast<std::size_t>(crew)]);
        }
        columns_.push_back(c);
        return packing_.add(filled_, static_cast<double>(cost) / choice_.scale_);
    }

    [[nodiscard]] Price worth_of(int row) const {
        return std::llround(packing_.worth(static_cast<std::size_t>(row)) * choice_.scale_);
    }

    void pack() {
        packing_.solve();
        auto const cells = static_cast<double>(packing_.size()) * static_cast<double>(packing_.size());
        auto const work =
            static_cast<std::int64_t>(static_cast<double>(packing_.steps() + 10) * cells * per_cell) +
            packing_.compared() * per_compared;
        choice_.spent_ += work - accounted_;
        accounted_ = work;
        for (std::size_t v = 0; v < row_of_visit_.size(); ++v) {
            if (row_of_visit_[v] >= 0) {
                worth_.visits[v] = choice_.week_.visits[v].unserved - worth_of(row_of_visit_[v]);
            }
        }
        for (std::size_t c = 0; c < row_of_crew_.size(); ++c) {
            if (row_of_crew_[c] >= 0) {
                worth_.crews[c] = worth_of(row_of_crew_[c]);
            }
        }
        if (steady_) {
            *steady_ = between(*steady_, worth_, follows);
        }
    }

    static Choice::Worth between(Choice::Worth const& from, Choice::Worth const& to, double share) {
        auto const part = [share](std::vector<Price> a, std::vector<Price> const& b) {
            for (std::size_t i = 0; i < a.size(); ++i) {
                a[i] += static_cast<Price>(share * static_cast<double>(b[i] - a[i]));
            }
            return a;
        };
        return {part(from.visits, to.visits), part(from.crews, to.crews)};
    }

    // How many routes of the kind are new columns.
    std::size_t look_at(std::size_t kind) {
        auto const& crews = choice_.kinds_.crews[kind];
        if (std::any_of(crews.begin(), crews.end(),
                        [&](int crew) { return row_of_crew_[static_cast<std::size_t>(crew)] < 0; })) {
            return 0;
        }
        bool const steadily = steady_ && steadiness_ > steady_enough;
        auto const found = steadily ? look_at(kind, between(worth_, *steady_, steadiness_)) : 0;
        return found > 0 ? found : look_at(kind, worth_);
    }

    std::size_t look_at(std::size_t kind, Choice::Worth const& worth) {
        auto gain = static_cast<Price>(choice_.scale_ * least_gain);
        for (int const crew : choice_.kinds_.crews[kind]) {
            gain += worth.crews[static_cast<std::size_t>(crew)];
        }
        auto const before = choice_.columns_.size();
        auto const labels = choice_.finder_.tried();
        for (auto& route : choice_.finder_.find(kind, worth.visits, gain, {}, routes_a_look)) {
            choice_.add(kind, std::move(route.visits), route.price);
        }
        choice_.spent_ += (choice_.finder_.tried() - labels) * per_label;
        for (auto c = before; c < choice_.columns_.size(); ++c) {
            rest_.possible.push_back(c);
            choice_.found_.push_back(c);
            put(c);
        }
        return choice_.columns_.size() - before;
    }

    Choice& choice_;
    Choice::Rest& rest_;
    std::vector<int> row_of_visit_, row_of_crew_;
    Packing packing_;
    std::vector<std::size_t> columns_;  // by column of the packing
    Choice::Worth worth_;
    std::optional<Choice::Worth> steady_;
    double steadiness_;
    std::vector<int> filled_;
    double nothing_ = 0.0;  // what it costs to make none of the visits
    std::int64_t accounted_ = 0;
};

Choice::Choice(Week const& week) : week_{week}, kinds_{kinds_of(week)}, finder_{week, kinds_} {
    Random random{1};
    double sum = 0.0;
    for (auto const& visit : week.visits) {
        marks_.push_back(random.bits());
        sum += static_cast<double>(visit.unserved);
    }
    scale_ = std::max(1.0, sum / std::max<double>(1.0, static_cast<double>(week.visits.size())));
}

void Choice::offer(Plan const& plan) {
    for (std::size_t s = 0; s < plan.routes.size(); ++s) {
        if (!plan.routes[s].empty()) {
            add(kinds_.kind_of[s], plan.routes[s], judge_shift(week_, s, plan.routes[s]).price);
        }
    }
}

void Choice::learn(Choice const& other) {
    for (auto const c : other.found_) {
        auto const& column = other.columns_[c];
        add(column.kind, column.visits, column.price);
    }
}

std::size_t Choice::add(std::size_t kind, std::vector<int> visits, Price price) {
    auto mark = (static_cast<std::uint64_t>(kind) + 1) * 0x9e3779b97f4a7c15U;
    for (int const v : visits) {
        mark += marks_[static_cast<std::size_t>(v)];
    }
    auto const [at, is_new] = known_.emplace(mark, columns_.size());
    if (is_new) {
        columns_.push_back({kind, std::move(visits), price});
    } else if (price < columns_[at->second].price) {
        columns_[at->second] = {kind, std::move(visits), price};
    }
    return at->second;
}

void Choice::forget_old() {
    found_.clear();
    if (columns_.size() < most_columns) {
        return;
    }
    auto newer = std::move(columns_);
    newer.erase(newer.begin(), newer.begin() + static_cast<std::ptrdiff_t>(newer.size() / 2));
    columns_.clear();
    known_.clear();
    for (auto& column : newer) {
        add(column.kind, std::move(column.visits), column.price);
    }
}

void Choice::fix(std::size_t column, Rest& rest) const {
    rest.fixed.push_back(column);
    take(columns_[column].kind, columns_[column].visits, rest);
}

void Choice::take(std::size_t kind, std::vector<int> const& visits, Rest& rest) const {
    for (int const v : visits) {
        rest.visits[static_cast<std::size_t>(v)] = 0;
    }
    for (int const crew : kinds_.crews[kind]) {
        --rest.crews[static_cast<std::size_t>(crew)];
    }
}

bool Choice::fits_rest(Column const& column, Rest const& rest) const {
    auto const& crews = kinds_.crews[column.kind];
    return std::all_of(column.visits.begin(), column.visits.end(),
                       [&](int v) { return rest.visits[static_cast<std::size_t>(v)] != 0; }) &&
           std::all_of(crews.begin(), crews.end(), [&](int crew) {
               return rest.crews[static_cast<std::size_t>(crew)] >=
                      std::count(crews.begin(), crews.end(), crew);
           });
}

Choice::Part Choice::whole(Plan const& plan) const {
    Part part{{}, std::vector<char>(week_.visits.size(), 1), kinds_.crew_size, forbidden};
    for (std::size_t s = 0; s < plan.routes.size(); ++s) {
        if (!plan.routes[s].empty()) {
            part.routes.push_back(
                {kinds_.kind_of[s], plan.routes[s], judge_shift(week_, s, plan.routes[s]).price});
        }
    }
    return part;
}

Price Choice::price(Part const& part) const {
    Price price = 0;
    for (std::size_t v = 0; v < part.visits.size(); ++v) {
        price += part.visits[v] != 0 ? week_.visits[v].unserved : 0;
    }
    for (auto const& route : part.routes) {
        price += route.price;
        for (int const v : route.visits) {
            price -= week_.visits[static_cast<std::size_t>(v)].unserved;
        }
    }
    return price;
}

std::optional<std::vector<Choice::Route>> Choice::choose(Part const& part, std::int64_t work,
                                                         GoOn const& go_on) {
    forget_old();
    Rest rest{part.visits, part.crews, {}, {}, {}};
    for (auto const& route : part.routes) {
        rest.hint.push_back(add(route.kind, route.visits, route.price));
    }
    rest.possible.resize(columns_.size());
    std::iota(rest.possible.begin(), rest.possible.end(), std::size_t{0});
    return dive(part, std::move(rest), work, go_on);
}

// Each visit has its share of what its route costs now, by what the route would save without it; one that is
// in none is worth what it costs unmade.
Choice::Worth Choice::worth_in(std::vector<std::size_t> const& columns) const {
    Worth worth{{}, std::vector<Price>(kinds_.crew_size.size(), 0)};
    for (auto const& visit : week_.visits) {
        worth.visits.push_back(visit.unserved);
    }
    for (auto const c : columns) {
        auto const& column = columns_[c];
        std::vector<Price> saved;
        for (std::size_t i = 0; i < column.visits.size(); ++i) {
            auto without = column.visits;
            without.erase(without.begin() + static_cast<std::ptrdiff_t>(i));
            auto const price = judge_shift(week_, kinds_.shifts[column.kind].front(), without).price;
            saved.push_back(std::max<Price>(1, column.price - price));
        }
        auto const sum = static_cast<double>(std::accumulate(saved.begin(), saved.end(), Price{0}));
        for (std::size_t i = 0; i < column.visits.size(); ++i) {
            auto& one = worth.visits[static_cast<std::size_t>(column.visits[i])];
            auto const share = static_cast<double>(saved[i]) / sum * static_cast<double>(column.price);
            one = std::min(one, static_cast<Price>(share));
        }
    }
    return worth;
}

Price Choice::price_of(std::vector<std::size_t> const& columns) const {
    return std::accumulate(columns.begin(), columns.end(), Price{0},
                           [this](Price sum, std::size_t c) { return sum + columns_[c].price; });
}

std::optional<std::vector<Choice::Route>> Choice::dive(Part const& part, Rest rest, std::int64_t work,
                                                       GoOn const& go_on) {
    auto const begin = spent_;
    auto const kinds = kinds_.shifts.size();
    for (bool first = true;; first = false) {
        auto const step_begin = spent_;
        Packed packed{*this, rest, first ? std::optional{worth_in(rest.hint)} : std::nullopt};
        // The first packing takes up to half of the work, and is looked at longer: it decides what the rest
        // is about.
        if (!packed.improve(first ? 100 * kinds : kinds, begin + (first ? work / 2 : work), go_on)) {
            return std::nullopt;
        }
        if (static_cast<double>(price_of(rest.fixed)) + packed.cost() >= static_cast<double>(part.limit)) {
            return part.routes;
        }
        packed.drop(static_cast<double>(part.limit) - static_cast<double>(price_of(rest.fixed)));
        auto const shares = packed.shares();
        double routes = 0.0;
        for (auto const& [share, column] : shares) {
            routes += share;
        }
        auto const step = static_cast<double>(spent_ - (first ? begin + work / 2 : step_begin));
        auto const steps_left = static_cast<double>(begin + work - spent_) / std::max(1.0, step);
        auto const least =
            first ? 1.0 : routes / std::max(1.0, 2.0 * steps_left);  // each is half as dear as the last
        rest.hint.clear();
        std::size_t fixed = 0;
        for (auto const& [share, column] : shares) {
            if (!fits_rest(columns_[column], rest)) {
                continue;
            }
            bool const enough = fixed > 0 && static_cast<double>(fixed) >= least;
            if (enough && share < as_good_as_whole && (share < nearly_whole || fixed >= whole_at_a_time)) {
                rest.hint.push_back(column);
                continue;
            }
            fix(column, rest);
            ++fixed;
        }
        if (fixed == 0) {
            return routes_of(rest);
        }
    }
}

std::vector<Choice::Route> Choice::routes_of(Rest const& rest) const {
    std::vector<Route> routes;
    for (auto const c : rest.fixed) {
        routes.push_back({columns_[c].kind, columns_[c].visits, columns_[c].price});
    }
    return routes;
}

Plan Choice::plan_of(std::vector<Route> const& routes) const {
    Plan plan{std::vector<std::vector<int>>(week_.shifts.size())};
    Roster roster{week_, kinds_};
    for (auto const& route : routes) {
        if (auto const s = roster.take(route.kind)) {
            plan.routes[*s] = route.visits;
        }
    }
    return plan;
}

}  // namespace probekeeper::rounds

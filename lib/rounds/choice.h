// Which of many routes to drive. Every route that was ever met is a column. A packing of them (packing.h)
// says what each visit is worth; routes that pay at that price are found (finder.h) and added until hardly
// any more do; of the packing's shares the largest then become whole, a few at a time, and the rest is packed
// again. That is column generation with diving, see Desaulniers, Desrosiers and Solomon (2005), "Column
// Generation", chapter 1. For the search of this room alone.
#pragma once

#include <cstdint>
#include <functional>
#include <optional>
#include <unordered_map>
#include <vector>

#include "rounds/finder.h"
#include "rounds/kinds.h"
#include "rounds/plan.h"

namespace probekeeper::rounds {

class Packed;

// Of a plan, what is chosen anew while the rest stays.
struct Part {
    std::vector<char> freed;   // by shift: its route falls away
    std::vector<char> aside;   // by visit: not made by the plan, and not tried now
    std::vector<int> resting;  // by crew: so many of those without work stay so
};

// Several may work at the same time, each for itself.
class Choice {
public:
    explicit Choice(Week const& week);

    struct Route {
        std::size_t kind = 0;
        std::vector<int> visits;
    };
    // One that holds: its routes are columns from now on.
    void offer(Plan const& plan);
    // What `other` found in its last choice becomes columns here too.
    void learn(Choice const& other);

    // The routes of a plan that holds, perhaps no better than `now`; empty: `go_on` said no.
    using GoOn = std::function<bool()>;
    [[nodiscard]] std::optional<std::vector<Route>> choose(Plan const& now, std::int64_t work,
                                                           GoOn const& go_on);
    // The same for a part of `now`: routes that hold together with those that stay.
    [[nodiscard]] std::optional<std::vector<Route>> choose(Plan const& now, Part const& part,
                                                           std::int64_t work, GoOn const& go_on);
    [[nodiscard]] Plan plan_of(std::vector<Route> const& routes) const;
    [[nodiscard]] Kinds const& kinds() const { return kinds_; }

    // About nanoseconds of a core, but counted and not measured: the same for the same week everywhere.
    // `work` above is what may be spent; where it does not suffice, more becomes whole at a time.
    [[nodiscard]] std::int64_t spent() const { return spent_; }

private:
    friend class Packed;
    struct Column {
        std::size_t kind = 0;
        std::vector<int> visits;
        Price price = 0;
    };
    struct Worth {
        std::vector<Price> visits, crews;  // of a visit made, of a seat
    };
    struct Rest {  // what is not yet fixed
        std::vector<char> visits;
        std::vector<int> crews;
        std::vector<std::size_t> fixed;  // columns
        std::vector<std::size_t> hint;   // columns that are likely
        std::vector<std::size_t> possible;
    };

    std::size_t add(std::size_t kind, std::vector<int> visits, Price price);
    std::size_t offer(std::size_t shift, std::vector<int> const& route);
    void forget_old();
    [[nodiscard]] Worth worth_in(std::vector<std::size_t> const& columns) const;
    void fix(std::size_t column, Rest& rest) const;
    void take(std::size_t kind, std::vector<int> const& visits, Rest& rest) const;
    [[nodiscard]] bool fits_rest(Column const& column, Rest const& rest) const;
    [[nodiscard]] std::optional<std::vector<Route>> dive(Rest rest, std::int64_t work, GoOn const& go_on);
    [[nodiscard]] std::vector<Route> routes_of(Rest const& rest) const;

    Week const& week_;
    Kinds kinds_;
    Finder finder_;
    std::vector<Column> columns_;
    std::unordered_map<std::uint64_t, std::size_t> known_;  // by kind and set
    std::vector<std::uint64_t> marks_;                      // by visit
    std::vector<std::size_t> found_;                        // columns of the last choice
    double scale_ = 1.0;                                    // prices to costs
    std::int64_t spent_ = 0;
};

}  // namespace probekeeper::rounds

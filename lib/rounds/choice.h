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

// Several may work at the same time, each for itself.
class Choice {
public:
    explicit Choice(Week const& week);

    struct Route {
        std::size_t kind = 0;
        std::vector<int> visits;
        Price price = 0;  // as `judge_shift` counts it
    };
    // Of a week, what is chosen anew while the rest stays.
    struct Part {
        std::vector<Route> routes;  // as they are
        std::vector<char> visits;   // by visit: whether it may be made; those of the routes may
        std::vector<int> crews;     // by crew, seats: those of the routes, and of who has no work
        // Of the routes and of visits unmade: a choice that cannot come below is given up.
        Price limit = forbidden;
    };
    // One that holds: its routes are columns from now on.
    void offer(Plan const& plan);
    // What `other` found in its last choice becomes columns here too.
    void learn(Choice const& other);

    // Routes that hold together: those of the part as they are where none below its limit were found. Without
    // a limit they are perhaps dearer than those. Empty: `go_on` said no.
    using GoOn = std::function<bool()>;
    [[nodiscard]] std::optional<std::vector<Route>> choose(Part const& part, std::int64_t work,
                                                           GoOn const& go_on);
    // A plan that holds as a part: the whole week.
    [[nodiscard]] Part whole(Plan const& plan) const;
    [[nodiscard]] Price price(Part const& part) const;  // of its routes and of visits unmade
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
    void forget_old();
    [[nodiscard]] Worth worth_in(std::vector<std::size_t> const& columns) const;
    void fix(std::size_t column, Rest& rest) const;
    void take(std::size_t kind, std::vector<int> const& visits, Rest& rest) const;
    [[nodiscard]] bool fits_rest(Column const& column, Rest const& rest) const;
    [[nodiscard]] std::optional<std::vector<Route>> dive(Part const& part, Rest rest, std::int64_t work,
                                                         GoOn const& go_on);
    [[nodiscard]] Price price_of(std::vector<std::size_t> const& columns) const;
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

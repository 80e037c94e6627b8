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

class Choice {
public:
    explicit Choice(Week const& week);

    struct Offered {
        std::size_t shift = 0, column = 0;
    };
    // One that holds: its routes are columns from now on, those of shifts where anybody goes.
    std::vector<Offered> offer(Plan const& plan);

    // A plan that holds, perhaps no better than one that was offered; empty: `go_on` said no.
    using GoOn = std::function<bool()>;
    [[nodiscard]] std::optional<Plan> choose(std::int64_t work, GoOn const& go_on);
    // The same with the routes of `now` kept, but those of `freed` (by shift).
    [[nodiscard]] std::optional<Plan> choose(Plan const& now, std::vector<char> const& freed,
                                             std::int64_t work, GoOn const& go_on);

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
    struct Rest {  // what is not yet fixed
        std::vector<char> visits;
        std::vector<int> crews;
        std::vector<std::size_t> fixed;  // columns
        std::vector<std::size_t> hint;   // columns that are likely
        std::vector<std::size_t> possible;
    };

    std::size_t add(std::size_t kind, std::vector<int> visits, Price price);
    void forget_old();
    [[nodiscard]] Rest all() const;
    void fix(std::size_t column, Rest& rest) const;
    [[nodiscard]] bool fits_rest(Column const& column, Rest const& rest) const;
    [[nodiscard]] std::optional<Plan> dive(Rest rest, std::int64_t work, GoOn const& go_on);
    [[nodiscard]] Plan plan_of(Rest const& rest) const;

    Week const& week_;
    Kinds kinds_;
    Finder finder_;
    std::vector<Column> columns_;
    std::unordered_map<std::uint64_t, std::size_t> known_;  // by kind and set
    std::vector<std::uint64_t> marks_;                      // by visit
    double scale_ = 1.0;                                    // prices to costs
    std::int64_t spent_ = 0;
};

}  // namespace probekeeper::rounds

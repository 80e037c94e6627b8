// A linear program that only ever packs: choose shares of columns so that no row is overfull and the whole
// costs least. The rows are few (visits, and people on days), the columns many and added while it is solved.
// For the search of this room alone.
//
// A primal simplex with an inverse that is kept whole: with some hundreds of rows a step costs microseconds,
// and additions in one fixed order give the same bits each time. Right-hand sides are moved by up to a
// thousandth, for the vertices of packings coincide so much that the simplex would walk in place.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

namespace probekeeper::rounds {

class Packing {
public:
    explicit Packing(std::vector<int> const& most);  // by row: how much it holds, not below 0

    // `rows`: one named twice is filled twice. The column's number is how many there were before.
    std::size_t add(std::span<int const> rows, double cost);
    [[nodiscard]] std::size_t columns() const { return cost_.size(); }

    // Takes a column in, whether or not that helps: a good begin is a known plan.
    void enter(int column);
    // To the optimum, from where the last call ended. False: steps ran out, and what it has holds but is not
    // best.
    bool solve();

    // What one more unit of room in the row would save; not below 0.
    [[nodiscard]] double worth(std::size_t row) const { return worth_[row]; }
    // What the whole would cost more for a share of such a column; below 0: it would help.
    [[nodiscard]] double reduced(std::span<int const> rows, double cost) const {
        for (int const row : rows) {
            cost += worth_[static_cast<std::size_t>(row)];
        }
        return cost;
    }
    [[nodiscard]] double reduced(std::size_t column) const { return reduced(rows_of(column), cost_[column]); }
    [[nodiscard]] double share(std::size_t column) const;
    [[nodiscard]] double cost() const;
    [[nodiscard]] std::size_t size() const { return size_; }
    // What it took: steps, and columns compared for them.
    [[nodiscard]] std::int64_t steps() const { return steps_; }
    [[nodiscard]] std::int64_t compared() const { return compared_; }

private:
    [[nodiscard]] std::span<int const> rows_of(std::size_t column) const {
        return {rows_.data() + first_[column], rows_.data() + first_[column + 1]};
    }
    struct Likely {
        int column = 0;
        double helped = 0.0;  // by its cost, when it was compared last; below 0
    };
    [[nodiscard]] int entering();
    int best_of_likely();
    void compare();
    void invert();

    std::size_t size_;
    std::vector<double> room_;     // right-hand sides as moved
    std::vector<double> inverse_;  // of the basis, column after column
    std::vector<double> worth_, amount_, direction_;
    std::vector<int> basis_;  // by row: a column, or below 0 the slack of row -1 - it
    std::vector<int> place_;  // by column: its row in the basis, or -1
    std::vector<std::size_t> first_{0};
    std::vector<int> rows_;
    std::vector<double> cost_;
    std::size_t looked_from_ = 0;
    std::vector<Likely> likely_;
    std::int64_t steps_ = 0, compared_ = 0, since_inverted_ = 0;
};

}  // namespace probekeeper::rounds

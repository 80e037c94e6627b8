// Routes that pay: given what each visit is worth, those of a kind of shift whose visits are worth more than
// the route costs. Labels grow stop by stop; of those that end at one visit only the best few go on, so a
// route may be missed but what is found holds. For the search of this room alone.
#pragma once

#include <cstdint>
#include <vector>

#include "rounds/kinds.h"
#include "rounds/week.h"

namespace probekeeper::rounds {

struct Effort {
    std::size_t labels = 4;  // that go on from each visit, by number of stops
    std::size_t near = 16;   // visits that a label may go on to
};

struct FoundRoute {
    std::vector<int> visits;
    Price price = 0;  // as `judge_shift` counts it
    Price gain = 0;
};

class Finder {
public:
    Finder(Week const& week, Kinds const& kinds);

    // Only visits marked here, by visit, are looked at from now on.
    void among(std::vector<char> const& visits);

    // At most `most` routes, the best first, each of another last visit. `worth`: by visit, not above 0:
    // leave it.
    [[nodiscard]] std::vector<FoundRoute> find(std::size_t kind, std::vector<Price> const& worth,
                                               Price least_gain, Effort const& effort, std::size_t most);

    [[nodiscard]] std::int64_t tried() const { return tried_; }  // labels, of all calls together

private:
    struct Label {
        Ticks leave = 0, busy = 0;
        std::int32_t load = 0;
        int visit = -1, before = -1;
        Price price = 0, loss = 0;  // so far; loss: the price without what the visits are worth
    };
    void extend(int from, std::size_t near);
    void arrive(int from, int visit, Ticks way);
    void keep(Label const& label);
    [[nodiscard]] FoundRoute finished(int label) const;
    [[nodiscard]] Price at_home(Label const& label) const;  // its price with the way home
    [[nodiscard]] Visit const& visit(int v) const { return week_.visits[static_cast<std::size_t>(v)]; }
    [[nodiscard]] Ticks way(int from, int to) const {
        return ways_[static_cast<std::size_t>(from) * week_.visits.size() + static_cast<std::size_t>(to)];
    }

    Week const& week_;
    Kinds const& kinds_;
    std::vector<Ticks> ways_;             // between visits
    std::vector<std::vector<int>> near_;  // by visit, the others by way
    std::vector<std::vector<int>> near_among_;
    std::vector<int> among_;
    std::vector<std::vector<char>> could_;  // by kind and visit: alone, time apart
    // Of one `find`:
    std::size_t shift_ = 0, most_labels_ = 0;
    std::vector<Price> const* worth_ = nullptr;
    std::vector<char> open_;            // by visit
    std::vector<std::int64_t> marked_;  // by visit: on the way of the label that is being extended
    std::int64_t mark_ = 0;
    std::vector<Label> labels_;
    std::vector<std::vector<int>> next_;  // by visit, labels of the next number of stops
    std::int64_t tried_ = 0;
    std::vector<int> reached_;  // visits with such
};

}  // namespace probekeeper::rounds

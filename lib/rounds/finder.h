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
        Price loss = 0;  // the price so far without what the visits are worth
        Ticks leave = 0, busy = 0;
        std::int32_t load = 0;
        int visit = -1, before = -1;
    };
    struct Near {
        int visit = 0;
        Ticks way = 0;
    };
    // When a visit may begin so that it is over in time and somebody is back by the shift's close.
    struct Begin {
        Ticks earliest = 0, latest = 0;
    };
    struct Hope {
        double gain = 0.0, time = 0.0;
    };
    // A visit as a kind of shift sees it, laid out for looking at it a million times.
    struct Stop {
        Begin first;  // the first of them; latest before earliest: it cannot be made
        Ticks work = 0, back = 0;
        Ticks most_busy = 0;         // of who arrives
        std::int32_t most_load = 0;  // of who arrives
        std::int32_t load = 0;
        std::uint32_t others_from = 0, others_to = 0;  // in others_, later ones
        Price here = 0;
    };
    [[nodiscard]] Stop stop_of(Shift const& shift, std::size_t shift_index, Visit const& visit);
    void extend(int from, std::size_t near);
    void set_hopes();
    [[nodiscard]] Price hope_of(Label const& label) const;
    void arrive(int from, Label const& label, int visit, Ticks way);
    void keep(Label const& label);
    [[nodiscard]] FoundRoute finished(int label) const;
    [[nodiscard]] Price loss_at_home(Label const& label) const;
    [[nodiscard]] Visit const& visit(int v) const { return week_.visits[static_cast<std::size_t>(v)]; }
    [[nodiscard]] std::vector<Near> neighbours(int v) const;

    Week const& week_;
    Kinds const& kinds_;
    std::vector<std::vector<Near>> near_;  // by visit, the others by way
    std::vector<std::vector<Near>> near_among_;
    std::vector<int> among_;
    std::vector<std::vector<Stop>> stops_;  // by kind and visit
    std::vector<Begin> others_;
    std::int64_t tried_ = 0;
    // Of one `find`:
    std::size_t shift_ = 0, most_labels_ = 0;
    Price least_gain_ = 0;
    std::vector<Price> hopes_;          // by time left: what is still to gain in it at most, or nearly so
    std::vector<Hope> by_rate_;         // of visits
    Stop const* stop_ = nullptr;        // by visit
    std::vector<Price> loss_;           // by visit: of making it, driving apart
    std::vector<std::int64_t> marked_;  // by visit: on the way of the label that is being extended, or closed
    std::int64_t mark_ = 0;
    std::vector<Label> labels_;
    std::vector<Label> next_;              // by visit, most_labels_ each, of the next number of stops
    std::vector<std::size_t> next_count_;  // by visit
    std::vector<int> reached_;             // visits with such
};

}  // namespace probekeeper::rounds

// Some days of a plan with the visits and people that belong to them, bettered while the rest of the week
// stays as it is: again and again the days around some visit are chosen anew (choice.h), a little worse being
// taken at first. For the search of this room alone.
#pragma once

#include <array>
#include <cstdint>
#include <vector>

#include "rounds/choice.h"
#include "rounds/random.h"
#include "rounds/week.h"

namespace probekeeper::rounds {

class Region {
public:
    // `choice` is used by nobody else while `better` works. `now`: its limit is of no account.
    Region(Week const& week, Choice& choice, Choice::Part now, std::uint64_t seed);

    // Until about so much more is spent by the choice, of which there is `left` in all. `heat`: how much
    // dearer the region may become by one choice, on average. False: `go_on` said no.
    bool better(std::int64_t work, std::int64_t left, double heat, Choice::GoOn const& go_on);

    [[nodiscard]] std::vector<Choice::Route> const& now() const { return now_.routes; }
    [[nodiscard]] std::vector<Choice::Route> const& best() const { return best_; }

private:
    [[nodiscard]] Choice::Part part_around(std::size_t centre, std::size_t days);

    Week const& week_;
    Choice& choice_;
    Choice::Part now_;
    Price now_price_;
    std::vector<Choice::Route> best_;
    Price best_price_;
    Random random_;
};

// The half of the routes that is nearest to some visit, and the other half, with the visits and people that
// belong to them. People without work go to either by chance, and so do visits that nobody makes.
[[nodiscard]] std::array<Choice::Part, 2> halves_of(Week const& week, Kinds const& kinds,
                                                    Choice::Part const& whole, Random& random);

}  // namespace probekeeper::rounds

// A good plan for a week of any size, by ruin and recreate: take some neighbouring stops out of some
// neighbouring days, put them back greedily but not quite, keep the result where it is better or, early on,
// not much worse. The ruin is the removal of adjacent strings of Christiaens and Vanden Berghe (2020),
// Transportation Science 54(2):417-433, with its parameters (from memory); the acceptance is simulated
// annealing.
//
// Deterministic: the same week and settings give the same plan everywhere. Chance comes from `seed`; all
// prices are integers, and no library function whose last bit could differ decides anything.
#pragma once

#include <cstdint>
#include <functional>

#include "rounds/plan.h"

namespace probekeeper::rounds {

struct Progress {
    std::int64_t done = 0, of = 0;  // rounds of ruin and recreate
    Price best = 0;
};

struct SearchSettings {
    std::int64_t iterations = 0;  // 0: as many as usual for this size, see usual_iterations
    std::uint64_t seed = 1;
    // Asked every few hundred iterations; false ends the search with the best so far. A limit in time lives
    // here, and a plan cut short by it is the one thing that depends on the machine.
    std::function<bool(Progress const&)> go_on;
};

struct Found {
    Plan plan;
    Price price = 0;
    std::int64_t iterations = 0;
    bool cut_short = false;
};

// Made for some four seconds of a quiet core with 200 visits in 50 shifts; see tests/bench/RESULTS.md.
[[nodiscard]] std::int64_t usual_iterations(std::size_t visits);

// `begin`: a plan to start from, which must hold; else from nothing.
[[nodiscard]] Found search(Week const& week, SearchSettings const& settings, Plan const* begin = nullptr);

}  // namespace probekeeper::rounds

// A good plan for a week of any size: ruin and recreate (ruin.h) finds two, the routes that they are made of
// are chosen anew for the whole week (choice.h), and from the better one on for parts of it, in two regions
// of the week at a time where it has room for two (region.h).
//
// Deterministic: the same week and settings give the same plan each time, on one core as on many. A second
// thread works on what the first leaves alone, and both wait for each other before anything is taken. Chance
// comes from `seed`, prices are integers, what is spent is counted and never measured, and no library
// function whose last bit could differ decides anything.
#pragma once

#include <cstdint>
#include <functional>

#include "rounds/plan.h"

namespace probekeeper::rounds {

struct Progress {
    std::int64_t done = 0, of = 0;  // rounds of ruin and recreate, or what takes as long
    Price best = 0;
};

struct SearchSettings {
    std::int64_t iterations = 0;  // 0: as many as usual for this size, see usual_iterations
    std::uint64_t seed = 1;
    // Asked some hundred times a second, by the thread that searches; false ends the search with the best so
    // far. A limit in time lives here, and a plan cut short by it is the one thing that depends on the
    // machine.
    std::function<bool(Progress const&)> go_on;
};

struct Found {
    Plan plan;
    Price price = 0;
    std::int64_t iterations = 0;
    bool cut_short = false;
};

// Some four seconds of two quiet cores for 200 visits in 50 shifts, and two for 400 and more; of
// one core twice as long. See tests/bench/RESULTS.md.
[[nodiscard]] std::int64_t usual_iterations(std::size_t visits);

// `begin`: a plan to start from, which must hold; else from nothing.
[[nodiscard]] Found search(Week const& week, SearchSettings const& settings, Plan const* begin = nullptr);

}  // namespace probekeeper::rounds

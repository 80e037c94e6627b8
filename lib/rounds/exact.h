// The best plan of a small week, proved. Every set of visits that one shift can make, with its best order, is
// counted by labels (set, last visit, time, driving); of these sets the cheapest choice that makes each visit
// at most once is found by branch and bound under a Lagrangian bound: prices on the visits, moved by
// subgradients, bound the whole from below, and sets that could not be in any better plan fall away.
#pragma once

#include <cstddef>
#include <cstdint>
#include <functional>
#include <optional>

#include "rounds/plan.h"

namespace probekeeper::rounds {

struct ExactLimits {
    std::size_t labels = 1'500'000;   // counted at a time for one shift; about 24 bytes each
    std::size_t sets = 3'000'000;     // of all shifts together; 16 bytes each
    std::int64_t nodes = 20'000'000;  // of the tree
    std::function<bool()> go_on;      // asked now and then in the tree; false ends it as too large
};

struct Proof {
    Plan plan;
    Price price = 0;
    Price bound = 0;       // no plan costs less
    bool optimal = false;  // price == bound
};

// `known`: a plan that holds, usually of `search`; the result is never worse. Empty: the week is too large
// for the limits (always beyond 63 visits). Where only the tree grew too large the bound holds, and `optimal`
// is false.
[[nodiscard]] std::optional<Proof> prove(Week const& week, Plan const& known, ExactLimits const& limits = {});

}  // namespace probekeeper::rounds

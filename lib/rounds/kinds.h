// Which shifts of a week are alike. Ten people of two depots make a hundred shifts, but few kinds of them:
// what is worth doing in one is worth the same in its likes, and is worked out once.
#pragma once

#include <optional>
#include <vector>

#include "rounds/week.h"

namespace probekeeper::rounds {

struct Kinds {
    std::vector<std::vector<std::size_t>> shifts;  // by kind, its shifts
    std::vector<std::size_t> kind_of;              // by shift
    // People on a day whose exchange changes nothing are of one crew, and each shift takes its people out of
    // crews: by kind, the crews, one named twice for two of its people. Shifts that name nobody are a crew
    // each kind.
    std::vector<std::vector<int>> crews;
    std::vector<int> crew_size;
};

[[nodiscard]] Kinds kinds_of(Week const& week);

// Hands out shifts for routes of which only the kind is known.
class Roster {
public:
    Roster(Week const& week, Kinds const& kinds)
        : week_{week}, kinds_{kinds}, used_(week.shifts.size(), false) {}

    // Empty: the people of its crews are all busy.
    [[nodiscard]] std::optional<std::size_t> take(std::size_t kind);

private:
    Week const& week_;
    Kinds const& kinds_;
    std::vector<bool> used_;
};

}  // namespace probekeeper::rounds

// An answer to a week, and the judge of answers: everything that searches is held to `judge`, which is
// written for clearness and shares no code with it.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "rounds/week.h"

namespace probekeeper::rounds {

struct Plan {
    std::vector<std::vector<int>> routes;  // by shift: visits in order; those in none are not made
};

struct Stop {
    int visit = 0;
    Ticks arrive = 0, begin = 0, leave = 0;  // between arrive and begin one waits
};
struct Timetable {
    Ticks depart = 0, home = 0;  // departs as late as the first stop allows
    Ticks driving = 0, work = 0;
    std::vector<Stop> stops;
};

struct Judgement {
    Price price = 0;                    // of the whole week, visits not made included
    std::vector<Timetable> timetables;  // by shift; empty stops where nobody goes
    std::vector<int> not_made;
    std::optional<std::string> broken;  // the first rule that the plan breaks; the rest is then of no use
};
[[nodiscard]] Judgement judge(Week const& week, Plan const& plan);

// One shift alone: `price` is of its driving, its hours and when it makes its visits.
struct ShiftJudgement {
    Price price = 0;
    Timetable timetable;
    std::optional<std::string> broken;
};
[[nodiscard]] ShiftJudgement judge_shift(Week const& week, std::size_t shift, std::vector<int> const& route);

// Each visit at its earliest. Empty: it cannot be done in that order within the shift's hours.
[[nodiscard]] std::optional<Timetable> timetable(Week const& week, std::size_t shift,
                                                 std::vector<int> const& route);

}  // namespace probekeeper::rounds

// A week's work as a problem of routing: who may go where, when, and what everything costs. No names,
// addresses or probes here, for whoever searches needs none of them.
//
// Times are whole ticks (in a real week a second, counted from any fixed instant) and prices whole numbers
// (in a real week thousandths of the currency), so that the same week gives the same plan on every machine.
#pragma once

#include <cstdint>
#include <limits>
#include <vector>

namespace probekeeper::rounds {

using Ticks = std::int32_t;
using Price = std::int64_t;

// A visit lies in one window as a whole: it begins at `open` or later and is over by `close`.
struct Window {
    Ticks open = 0, close = 0;
};

// One day of a person, or of several who go together. Leaves `start` at `open` or later, is at `end` by
// `close`.
struct Shift {
    int start = 0, end = 0;  // places
    Ticks open = 0, close = 0;
    // Driving and work together (waiting fills nobody's day): beyond `regular` it costs `per_overtime` a
    // tick, and beyond `longest` it may not go.
    Ticks regular = std::numeric_limits<Ticks>::max(), longest = std::numeric_limits<Ticks>::max();
    std::int32_t capacity = std::numeric_limits<std::int32_t>::max();
    Price per_drive = 1;  // a tick of driving
    Price per_overtime = 0;
    Price fixed = 0;           // of going out at all
    std::uint32_t skills = 0;  // a bit each: those that everybody of this shift has
    int crew = 1;              // persons
    // Nobody works twice at a time: of two shifts that name the same person on the same day one stays empty.
    std::vector<int> persons;
    int day = 0;
};

inline constexpr Price forbidden = std::numeric_limits<Price>::max();

struct Visit {
    int place = 0;
    Ticks work = 0;
    std::vector<Window> windows;  // in order, apart
    std::int32_t load = 0;
    // Biosecurity: on one day nobody goes from a higher rank to a lower one.
    int rank = 0;
    std::uint32_t skills = 0;  // all of them needed, of each person
    int crew = 1;              // persons needed
    Price unserved = 0;        // of not making the visit this week
    // What it costs to make it in a shift, by shift, besides driving: lateness, a promise broken.
    // `forbidden`: not then. Empty: nothing.
    std::vector<Price> in_shift;
};

struct Week {
    int places = 0;
    std::vector<Ticks> travel;  // places x places: from, to; the way there may differ from the way back
    std::vector<Shift> shifts;
    std::vector<Visit> visits;

    [[nodiscard]] Ticks way(int from, int to) const {
        return travel[static_cast<std::size_t>(from) * static_cast<std::size_t>(places) +
                      static_cast<std::size_t>(to)];
    }
};

// Whether the shift may make the visit at all, time apart.
[[nodiscard]] bool fits(Shift const& shift, Visit const& visit, std::size_t shift_index);
// Whether one person would have to be in both.
[[nodiscard]] bool exclude(Shift const& a, Shift const& b);

}  // namespace probekeeper::rounds

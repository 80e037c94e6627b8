// Evenly spaced reals: what a converter gives, scaled by a factor and moved by an offset that nobody tells
// us. Private to this room.
#pragma once

#include <cstdint>
#include <optional>
#include <span>

namespace probekeeper::store {

struct Ladder {
    double origin = 0.0, step = 1.0;  // finite, the step above 0
    bool single = false;              // rungs are rounded to floats

    [[nodiscard]] std::int64_t rung(double v) const;  // the nearest
    [[nodiscard]] double real(std::int64_t rung) const;
};

// How many numbers of the same precision `v` lies above `near`, in the order of their bits: 1 from each to
// the next. Any value comes back from beyond(near, steps), bit for bit.
[[nodiscard]] std::int64_t steps_beyond(double v, double near, bool single);
[[nodiscard]] double beyond(double near, std::int64_t steps, bool single);

// A ladder near whose rungs all `values` lie, to a few steps of their precision each; none where there is
// none, or where it would not be worth it. None of them are NaN; `single`: all are floats.
[[nodiscard]] std::optional<Ladder> ladder_of(std::span<double const> values, bool single);

}  // namespace probekeeper::store

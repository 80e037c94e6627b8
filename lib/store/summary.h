// What is known of the readings of a stretch of time. Private to this room.
#pragma once

#include <array>

#include "base/reading.h"
#include "store/bytes.h"
#include "store/values.h"

namespace probekeeper::store {

inline constexpr Millis minute{60'000};
inline constexpr Millis hour{3'600'000};
// The start of the step of length `step` that holds `t`; steps are counted from 1970-01-01T00:00:00Z.
[[nodiscard]] Timestamp step_start(Timestamp t, Millis step);

// Sums, not means: two parts can then be added.
struct Tally {
    std::int64_t count = 0;
    double min = 0.0, sum = 0.0, max = 0.0;
    void add(double value);
    void add(Tally const& other);
};

// Adding is exact but for the rounding of the sums.
struct Summary {
    Timestamp start{};
    std::int64_t count = 0;
    std::uint16_t marks = 0;
    std::array<Tally, quantity_count> tallies{};
    void add(Reading const& reading);
    void add(Summary const& other);
    [[nodiscard]] Step step() const;
};

// Beyond that a stored count is damage. A thousand million summaries of so many still add up.
inline constexpr std::int64_t most_counted = 1'000'000'000;

void write_summary(ByteWriter& out, Summary const& summary);
[[nodiscard]] Summary read_summary(ByteReader& in);

}  // namespace probekeeper::store

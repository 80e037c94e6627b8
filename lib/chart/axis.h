// Round numbers and whole days for the axes of a chart.
#pragma once

#include <string>
#include <vector>

#include "base/time.h"

namespace probekeeper::chart {

struct Axis {
    double low = 0.0, high = 1.0;  // low < high
    double step = 0.2;
};

// Covers lowest..highest (finite, lowest <= highest) in about `steps` steps of 1, 2 or 5 times a power of
// ten.
[[nodiscard]] Axis axis_over(double lowest, double highest, int steps);

// `value` with as many decimals as `step` needs.
[[nodiscard]] std::string label(double value, double step);

struct Tick {
    Timestamp time{};
    std::string label;
};
// Midnights UTC ("3 Mar"), or full hours ("06:00") where the span is short; at most `most`.
[[nodiscard]] std::vector<Tick> time_ticks(Timestamp from, Timestamp to, int most);

}  // namespace probekeeper::chart

// A chart over time as plain values, and as SVG: readable when small, plain enough to print in black and
// white. Lines and marks are told apart by their form as well as by their shade.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "base/time.h"

namespace probekeeper::chart {

struct Point {
    Timestamp time{};
    double value = 0.0;  // not finite: the line is broken here
};
struct Range {
    Timestamp time{};
    double low = 0.0, high = 0.0;
};

struct Chart {
    std::string title;
    std::string unit;
    Timestamp from{}, to{};  // from < to

    std::vector<Range> band;       // light, behind all else: an interval, or the least and the most
    std::vector<Point> line;       // the value
    std::vector<Point> good_dots;  // filled: measurements that were used
    std::vector<Point> poor_dots;  // hollow: those that were set aside
    std::vector<Range> fan;        // dashed edges: what is expected

    struct Level {
        double value = 0.0;
        std::string name;
        bool limit = false;  // a limit is drawn heavier than a reference
    };
    std::vector<Level> levels;

    struct Event {
        Timestamp time{};
        std::string name;
    };
    std::vector<Event>
        events;  // a tick at the top, with its name as a tooltip and, where there is room, written

    std::string empty;  // shown instead where there is nothing to draw: why
};

// A document of 640 by 280 units that scales. Texts may hold anything: what XML does not allow is left out,
// the rest escaped. Days are those of UTC.
[[nodiscard]] std::string to_svg(Chart const& chart);

}  // namespace probekeeper::chart

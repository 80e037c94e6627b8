// Small drawings over the days of a month, as SVG to stand inside a page: told apart by pattern as well as by
// shade, so that they survive a photocopy.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "service/month_report.h"
#include "zone/zone.h"

namespace probekeeper::paper {

// The days of one month at one place. All strips of a page share it, so that they can be read one below the
// other.
struct Days {
    Timestamp from{}, until{};  // the whole month
    Timestamp told_until{};     // beyond it nothing is drawn: it has not been yet
    zone::Zone zone = zone::Zone::utc();
};

// To be put once into a page, before the strips: the patterns that they are filled with.
[[nodiscard]] std::string patterns();
// A box filled as a condition is, for a legend. Out of use has a box of its own.
[[nodiscard]] std::string legend_box(diagnosis::Condition condition, bool out_of_use = false);

// The conditions of one probe, side by side.
[[nodiscard]] std::string condition_strip(std::vector<service::ConditionSpan> const& spans, Days const& days);
// T90 of response tests: filled dots were used, hollow ones set aside. Its scale stands at the left.
[[nodiscard]] std::string test_strip(std::vector<service::MonthTest> const& tests, Days const& days);

// A line from `from` to `until` (none: it goes on), or a mark where both are one. Those of one name share a
// row.
struct Stretch {
    std::string name;
    Timestamp from{};
    std::optional<Timestamp> until;
};
// One below the other, each with its name: tickets while they lasted, work on the days it was done.
[[nodiscard]] std::string stretches(std::vector<Stretch> const& lines, Days const& days);

// Bars by name, with their numbers.
struct Bar {
    std::string name;
    int count = 0;
};
[[nodiscard]] std::string bars(std::vector<Bar> const& bars);

}  // namespace probekeeper::paper

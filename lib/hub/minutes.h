// Steps of whole minutes out of the hours that sites tell. Pure.
#pragma once

#include <array>
#include <cstdint>
#include <vector>

#include "document/readings.h"

namespace probekeeper::hub {

inline constexpr std::size_t shown_quantities = 3;  // mg/L, %, degC: what readings are served in

// Arrays of equal length, as a row of `summaries` has them; those of a quantity that was not read in the hour
// are empty.
struct Hour {
    Timestamp start{};
    std::vector<std::int64_t> minutes, counts;
    struct Quantity {
        std::vector<double> count, min, sum, max;
    };
    std::array<Quantity, shown_quantities> quantities;
};

// Gathers minutes, which come in order, into steps that begin at whole multiples of `step` since 1970.
class StepMaker {
public:
    StepMaker(Timestamp from, Timestamp until, Millis step);

    void add(Hour const& hour);
    // All steps so far; the last one may grow while hours are added.
    [[nodiscard]] std::vector<document::Step>& steps() { return steps_; }
    void finish();                                            // means are known then
    [[nodiscard]] Timestamp first() const { return first_; }  // of the range, widened to whole steps
    [[nodiscard]] Timestamp end() const { return end_; }

private:
    void add_minute(Timestamp minute, Hour const& hour, std::size_t place);

    Timestamp first_, end_;
    Millis step_;
    std::vector<document::Step> steps_;
    std::vector<std::array<double, shown_quantities>> counts_;  // of the values of each step
};

}  // namespace probekeeper::hub

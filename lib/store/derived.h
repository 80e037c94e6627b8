// mg/L and % of one water, worked out from each other as the readings were completed before they came here. A
// block keeps the measured one and this water; the other is made again, bit for bit, which the writer of the
// block has tried for each reading. Therefore what this file computes must not change: blocks that exist were
// written against it. Another formula is another number in Derived. Private to this room.
#pragma once

#include <cstdint>

#include "base/reading.h"
#include "store/values.h"

namespace probekeeper::store {

enum class Derived : std::uint8_t { none, percent_from_mg_l, percent_from_po2, mg_l_from_percent };  // stored

class Deriver {
public:
    explicit Deriver(WaterOfProbe const& water) : water_{water} {}
    // From the other values of `reading`; not_read where there is no temperature or the water is beyond the
    // formulas.
    [[nodiscard]] double percent_from_mg_l(Reading const& reading);
    [[nodiscard]] double percent_from_po2(Reading const& reading);
    [[nodiscard]] double mg_l_from_percent(Reading const& reading);

private:
    void turn_to(Reading const& reading);

    WaterOfProbe water_;
    double temperature_c_ = not_read, salinity_psu_ = not_read, pressure_hpa_ = not_read;  // of what follows
    double full_mg_l_ = not_read, full_po2_hpa_ = not_read;                                // at 100 %
};

}  // namespace probekeeper::store

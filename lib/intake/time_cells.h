// Times of CSV cells, quickly: rows in time order share their date, so only the time of day is worked out
// anew.
#pragma once

#include <array>
#include <optional>
#include <string_view>

#include "base/time.h"

namespace probekeeper::intake {

class TimeCells {
public:
    // Exactly what parse_time_cell() gives, and empty where the year does not lie in 0000..9999, for the
    // instants that to_rfc3339() can write back.
    [[nodiscard]] std::optional<Timestamp> parse(std::string_view cell);

private:
    std::array<char, 10> date_{};  // "2026-03-01" as last seen, and when that day begins
    Timestamp day_{};
};

}  // namespace probekeeper::intake

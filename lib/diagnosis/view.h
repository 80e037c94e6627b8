// One reading as the rest of this room sees it.
#pragma once

#include <array>
#include <cstdint>

#include "base/reading.h"

namespace probekeeper::diagnosis {

// What the water and the device are doing, as far as it is declared.
enum class Aerated : std::uint8_t { unknown, off, on };

struct View {
    std::int64_t time_ms = 0;
    double value = 0.0;          // mg/L, or its stand-in
    double saturation = 9.1;     // of this water now, same unit
    double temperature_c = 0.0;  // NaN where not read
    Aerated aerated = Aerated::unknown;
    double airflow = not_read;
    bool exposed = false;  // cleaning or hold: the membrane does not see the water
    bool cleaning = false;
    // mg/L, % and hPa as they came: one of them is what the device gives, the others move with temperature.
    std::array<double, 3> given{not_read, not_read, not_read};
};

}  // namespace probekeeper::diagnosis

// One reading of one probe: what came over the wire or out of a CSV row, in fixed units.
#pragma once

#include <cmath>
#include <cstdint>
#include <limits>

#include "base/time.h"

namespace probekeeper {

// "Not read": the device does not give it, the cell was empty, the register failed to decode.
inline constexpr double not_read = std::numeric_limits<double>::quiet_NaN();
[[nodiscard]] inline bool is_read(double value) {
    return !std::isnan(value);
}

// Marks on a reading, and their bits in Reading::marks. The first four are signals of the device, and
// Reading::known says which of them were read at all; the other two are put on by the daemon.
enum Mark : std::uint16_t {
    mark_cleaning = 1,      // a blast is cleaning the membrane
    mark_aeration = 2,      // the water is being aerated
    mark_hold = 4,          // out of the water or in hand
    mark_fault = 8,         // the device itself calls the reading bad: kept, not used
    mark_service = 16,      // taken while a person worked on the probe
    mark_out_of_range = 32  // outside what water and instrument can do: kept, not used
};

struct Reading {
    Timestamp time{};
    double do_mg_l = not_read;
    double do_percent = not_read;  // % of saturation at the actual pressure and salinity
    double po2_hpa = not_read;     // filled only where the source gives partial pressure
    double temperature_c = not_read;
    double salinity_psu = not_read;
    double pressure_hpa = not_read;
    double airflow = not_read;  // any unit, to the aerator of this water
    std::uint16_t known = 0;    // of mark_cleaning | mark_aeration | mark_hold | mark_fault
    std::uint16_t marks = 0;

    [[nodiscard]] bool has(Mark m) const { return (marks & m) != 0; }
    [[nodiscard]] bool knows(Mark m) const { return (known & m) != 0; }
    void set(Mark m, bool on) {
        known = static_cast<std::uint16_t>(known | m);
        marks = static_cast<std::uint16_t>(on ? marks | m : marks & ~m);
    }
};

}  // namespace probekeeper

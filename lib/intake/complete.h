// What one reading implies but does not say, and whether it can be true at all.
#pragma once

#include "base/reading.h"
#include "fleet/fleet.h"

namespace probekeeper::intake {

// Bounds of what water and instrument can do. Wide on purpose: a fault must be seen, not hidden.
// Temperature, salinity and pressure: common practice, no source; salinity and pressure as the configuration
// allows them for a site.
inline constexpr double lowest_temperature_c = -5.0, highest_temperature_c = 60.0;
inline constexpr double lowest_salinity_psu = 0.0, highest_salinity_psu = 50.0;
inline constexpr double lowest_pressure_hpa = 500.0, highest_pressure_hpa = 1100.0;
// Dissolved oxygen, judged in the unit in which it was read. Below zero: residue in the cell can read several
// mg/L under zero and must stay visible. Above: a new membrane overshoots to 200..250 % in air, and water at
// 0 degC at 400 % holds under 60 mg/L.
inline constexpr double lowest_do_mg_l = -8.0, highest_do_mg_l = 60.0;
inline constexpr double lowest_do_percent = -100.0, highest_do_percent = 400.0;
inline constexpr double lowest_po2_hpa = -212.0, highest_po2_hpa = 849.0;  // the same, by 212 hPa of dry air

// What is known of a probe's water where its readings do not say, and the saturation worked out last. Because
// of the latter a Place belongs to one thread.
struct Place {
    double salinity_psu = 0.0;
    double pressure_hpa = 1013.25;

    struct Saturation {
        double temperature_c = not_read, salinity_psu = not_read, pressure_hpa = not_read;  // of what water
        double mg_l = not_read;     // at 100 %; not_read where the water is beyond the formulas
        double po2_hpa = not_read;  // at 100 %
    };
    mutable Saturation newest;
};

// Salinity: the probe's, else its site's. Pressure: the site's, else from its altitude.
[[nodiscard]] Place place_of(fleet::Fleet const& fleet, fleet::ProbeIndex probe);

// Fills do_mg_l and do_percent where they were not read, from whichever of do_mg_l, do_percent and po2_hpa
// was (the first of them, if several were); po2_hpa stays as the source gave it, see Reading. Uses the
// reading's own salinity and pressure, else those of `place`; nothing is filled in without a temperature, and
// beyond the range of oxygen/solubility.h. An impossible temperature, salinity or pressure is kept, but
// counts as not read for this. Sets mark_out_of_range where any value lies outside the bounds above.
void complete(Reading& reading, Place const& place);

}  // namespace probekeeper::intake

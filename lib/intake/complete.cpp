#include "intake/complete.h"

#include "oxygen/altitude.h"
#include "oxygen/convert.h"
#include "oxygen/solubility.h"

namespace probekeeper::intake {
namespace {

// True for "not read" too: what is not there is not wrong.
bool possible(double value, double lowest, double highest) {
    return !(value < lowest || value > highest);
}

bool possible_temperature(double t) {
    return possible(t, lowest_temperature_c, highest_temperature_c);
}
bool possible_salinity(double s) {
    return possible(s, lowest_salinity_psu, highest_salinity_psu);
}
bool possible_pressure(double p) {
    return possible(p, lowest_pressure_hpa, highest_pressure_hpa);
}

bool possible_oxygen(Reading const& reading) {
    return possible(reading.do_mg_l, lowest_do_mg_l, highest_do_mg_l) &&
           possible(reading.do_percent, lowest_do_percent, highest_do_percent) &&
           possible(reading.po2_hpa, lowest_po2_hpa, highest_po2_hpa);
}

double salinity_of(Reading const& reading, Place const& place) {
    bool const usable = is_read(reading.salinity_psu) && possible_salinity(reading.salinity_psu);
    return usable ? reading.salinity_psu : place.salinity_psu;
}

double pressure_of(Reading const& reading, Place const& place) {
    bool const usable = is_read(reading.pressure_hpa) && possible_pressure(reading.pressure_hpa);
    return usable ? reading.pressure_hpa : place.pressure_hpa;
}

// Winter water lies at its freezing point, and thermometers of 0.5 degC then show a little less than the 0
// degC at which the formulas begin; sea water really is down to -1.9 degC. There the value at 0 degC is used:
// at most 6 % low, and better than none.
constexpr double coldest_water_c = -2.0;

Place::Saturation const& saturation_of(Place const& place, double temperature_c, double salinity_psu,
                                       double pressure_hpa) {
    auto& newest = place.newest;
    if (newest.temperature_c == temperature_c && newest.salinity_psu == salinity_psu &&
        newest.pressure_hpa == pressure_hpa) {
        return newest;
    }
    bool const at_freezing = temperature_c < 0.0 && temperature_c >= coldest_water_c;
    oxygen::Water const water{at_freezing ? 0.0 : temperature_c, salinity_psu, pressure_hpa};
    newest = {temperature_c, salinity_psu, pressure_hpa, oxygen::saturation_mg_l(water).value_or(not_read),
              oxygen::po2_of_percent(100.0, water).value_or(not_read)};
    return newest;
}

// What is not known stays "not read" by itself: it is a NaN, and so is what is worked out from it.
void convert(Reading& reading, Place::Saturation const& full) {
    if (is_read(reading.do_mg_l)) {
        if (!is_read(reading.do_percent)) {
            reading.do_percent = 100.0 * reading.do_mg_l / full.mg_l;
        }
        return;
    }
    if (!is_read(reading.do_percent)) {
        reading.do_percent = 100.0 * reading.po2_hpa / full.po2_hpa;
    }
    reading.do_mg_l = 0.01 * reading.do_percent * full.mg_l;
}

}  // namespace

Place place_of(fleet::Fleet const& fleet, fleet::ProbeIndex probe) {
    auto const& from = fleet.probes[probe];
    auto const& site = fleet.sites[from.site];
    Place place;
    place.salinity_psu = from.salinity_psu.value_or(site.salinity_psu);
    place.pressure_hpa =
        site.pressure_hpa
            ? *site.pressure_hpa
            : oxygen::pressure_at_altitude_hpa(site.altitude_m).value_or(oxygen::standard_pressure_hpa);
    return place;
}

void complete(Reading& reading, Place const& place) {
    bool const water_possible = possible_temperature(reading.temperature_c) &&
                                possible_salinity(reading.salinity_psu) &&
                                possible_pressure(reading.pressure_hpa);
    if (!water_possible || !possible_oxygen(reading)) {
        reading.marks |= mark_out_of_range;
    }
    if (is_read(reading.temperature_c) && possible_temperature(reading.temperature_c)) {
        convert(reading, saturation_of(place, reading.temperature_c, salinity_of(reading, place),
                                       pressure_of(reading, place)));
    }
}

}  // namespace probekeeper::intake

#include "store/derived.h"

#include "oxygen/convert.h"
#include "oxygen/solubility.h"

namespace probekeeper::store {

namespace {

// Beyond these a reading's own salinity or pressure was not used, and the water's was.
double or_else(double own, double lowest, double highest, double otherwise) {
    return own >= lowest && own <= highest ? own : otherwise;
}

}  // namespace

void Deriver::turn_to(Reading const& r) {
    double const salinity = or_else(r.salinity_psu, 0.0, 50.0, water_.salinity_psu);
    double const pressure = or_else(r.pressure_hpa, 500.0, 1100.0, water_.pressure_hpa);
    if (temperature_c_ == r.temperature_c && salinity_psu_ == salinity && pressure_hpa_ == pressure) {
        return;
    }
    temperature_c_ = r.temperature_c;
    salinity_psu_ = salinity;
    pressure_hpa_ = pressure;
    bool const freezing = r.temperature_c < 0.0 && r.temperature_c >= -2.0;
    oxygen::Water const water{freezing ? 0.0 : r.temperature_c, salinity, pressure};
    full_mg_l_ = oxygen::saturation_mg_l(water).value_or(not_read);
    full_po2_hpa_ = oxygen::po2_of_percent(100.0, water).value_or(not_read);
}

double Deriver::percent_from_mg_l(Reading const& r) {
    turn_to(r);
    return 100.0 * r.do_mg_l / full_mg_l_;
}

double Deriver::percent_from_po2(Reading const& r) {
    turn_to(r);
    return 100.0 * r.po2_hpa / full_po2_hpa_;
}

double Deriver::mg_l_from_percent(Reading const& r) {
    turn_to(r);
    return 0.01 * r.do_percent * full_mg_l_;
}

}  // namespace probekeeper::store

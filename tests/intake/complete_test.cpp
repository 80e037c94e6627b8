#include "intake/complete.h"

#include <catch2/catch.hpp>

#include "small_fleet.h"

namespace probekeeper::intake {
namespace {

constexpr double nan = not_read;

Reading reading_of(double do_mg_l, double do_percent, double po2_hpa, double temperature_c) {
    Reading reading;
    reading.do_mg_l = do_mg_l;
    reading.do_percent = do_percent;
    reading.po2_hpa = po2_hpa;
    reading.temperature_c = temperature_c;
    return reading;
}

Reading completed(Reading reading, Place const& place = {}) {
    complete(reading, place);
    return reading;
}

// Worked with Benson and Krause (1984) in the mg/L form of USGS OWQ Technical Memorandum 2011.03, and
// pO2 = %sat x 0.20946 x (P - vapour pressure).
TEST_CASE("mg/L, percent and partial pressure are worked out of each other", "[intake]") {
    struct Check {
        double temperature_c, pressure_hpa, salinity_psu, mg_l, percent, po2_hpa;
    };
    auto const check =
        GENERATE(Check{20, 1013.25, 0, 7.5, 82.4862, 171.0255}, Check{10, 950, 0, 9, 85.1045, 167.1585},
                 Check{25, 1000, 35, 5, 74.8418, 151.7980}, Check{30, 880, 10, 12, 194.3883, 341.0296});
    Place const place{check.salinity_psu, check.pressure_hpa, {}};
    auto const from_mg_l = completed(reading_of(check.mg_l, nan, nan, check.temperature_c), place);
    CHECK(from_mg_l.do_percent == Approx(check.percent).margin(5e-4));
    CHECK_FALSE(is_read(from_mg_l.po2_hpa));
    auto const from_percent = completed(reading_of(nan, check.percent, nan, check.temperature_c), place);
    CHECK(from_percent.do_mg_l == Approx(check.mg_l).margin(1e-4));
    auto const from_po2 = completed(reading_of(nan, nan, check.po2_hpa, check.temperature_c), place);
    CHECK(from_po2.do_percent == Approx(check.percent).margin(2e-3));
    CHECK(from_po2.do_mg_l == Approx(check.mg_l).margin(2e-4));
    CHECK(from_po2.po2_hpa == check.po2_hpa);
    CHECK_FALSE(from_po2.has(mark_out_of_range));
}

TEST_CASE("what was read is never overwritten", "[intake]") {
    auto const both = completed(reading_of(7.5, 90.0, nan, 20.0));
    CHECK(both.do_mg_l == 7.5);
    CHECK(both.do_percent == 90.0);
}

TEST_CASE("without a temperature nothing is converted", "[intake]") {
    auto const result = completed(reading_of(nan, 90.0, nan, nan));
    CHECK_FALSE(is_read(result.do_mg_l));
    CHECK_FALSE(result.has(mark_out_of_range));
}

TEST_CASE("a reading without oxygen stays without", "[intake]") {
    auto const result = completed(reading_of(nan, nan, nan, 20.0));
    CHECK_FALSE(is_read(result.do_mg_l));
    CHECK_FALSE(is_read(result.do_percent));
    CHECK_FALSE(result.has(mark_out_of_range));
}

TEST_CASE("the reading's own salinity and pressure go before those of the place", "[intake]") {
    auto reading = reading_of(5.0, nan, nan, 25.0);
    reading.salinity_psu = 35.0;
    reading.pressure_hpa = 1000.0;
    CHECK(completed(reading, Place{0.0, 700.0, {}}).do_percent == Approx(74.8418).margin(5e-4));
}

TEST_CASE("an impossible salinity or pressure is kept and marked, and the place's used", "[intake]") {
    auto reading = reading_of(5.0, nan, nan, 25.0);
    reading.salinity_psu = -9999.0;
    reading.pressure_hpa = 101'325.0;
    auto const result = completed(reading, Place{35.0, 1000.0, {}});
    CHECK(result.do_percent == Approx(74.8418).margin(5e-4));
    CHECK(result.salinity_psu == -9999.0);
    CHECK(result.pressure_hpa == 101'325.0);
    CHECK(result.has(mark_out_of_range));
}

TEST_CASE("an impossible temperature is kept and marked, and nothing is worked out with it", "[intake]") {
    auto const result = completed(reading_of(nan, 90.0, nan, -200.0));
    CHECK(result.do_percent == 90.0);
    CHECK_FALSE(is_read(result.do_mg_l));
    CHECK(result.temperature_c == -200.0);
    CHECK(result.has(mark_out_of_range));
}

TEST_CASE("water at its freezing point is converted, hot air is not", "[intake]") {
    CHECK(completed(reading_of(nan, 100.0, nan, -0.4)).do_mg_l == Approx(14.6208).margin(5e-5));
    auto const hot = completed(reading_of(nan, 100.0, nan, 45.0));
    CHECK_FALSE(is_read(hot.do_mg_l));
    CHECK_FALSE(hot.has(mark_out_of_range));
}

TEST_CASE("a large background stays visible, an impossible oxygen is marked", "[intake]") {
    CHECK_FALSE(completed(reading_of(-5.0, nan, nan, 20.0)).has(mark_out_of_range));
    CHECK(completed(reading_of(-8.1, nan, nan, 20.0)).has(mark_out_of_range));
    CHECK(completed(reading_of(60.1, nan, nan, 20.0)).has(mark_out_of_range));
    CHECK_FALSE(completed(reading_of(nan, 250.0, nan, 20.0)).has(mark_out_of_range));
    CHECK(completed(reading_of(nan, 401.0, nan, 20.0)).has(mark_out_of_range));
    CHECK(completed(reading_of(nan, nan, 900.0, 20.0)).has(mark_out_of_range));
}

TEST_CASE("a saturation worked out for one water is not used for another", "[intake]") {
    Place const place{0.0, 1013.25, {}};
    auto const first = completed(reading_of(nan, 100.0, nan, 20.0), place).do_mg_l;
    auto const colder = completed(reading_of(nan, 100.0, nan, 10.0), place).do_mg_l;
    auto const again = completed(reading_of(nan, 100.0, nan, 20.0), place).do_mg_l;
    CHECK(colder == Approx(11.2879).margin(5e-5));
    CHECK(first == again);
    auto salty = reading_of(nan, 100.0, nan, 20.0);
    salty.salinity_psu = 35.0;
    CHECK(completed(salty, place).do_mg_l == Approx(7.3961).margin(5e-5));
    auto high = reading_of(nan, 100.0, nan, 20.0);
    high.pressure_hpa = 0.7 * 1013.25;
    CHECK(completed(high, place).do_mg_l == Approx(6.30162).margin(5e-5));
}

TEST_CASE("a place is the probe's salinity before the site's, and a barometer or else the altitude",
          "[intake]") {
    auto fleet = small_fleet();
    fleet.sites[0].salinity_psu = 31.0;
    fleet.sites[0].altitude_m = 1000.0;
    fleet.probes[1].salinity_psu = 12.0;
    CHECK(place_of(fleet, 0).salinity_psu == 31.0);
    CHECK(place_of(fleet, 1).salinity_psu == 12.0);
    CHECK(place_of(fleet, 0).pressure_hpa == 1013.25);
    fleet.sites[0].pressure_hpa.reset();
    CHECK(place_of(fleet, 0).pressure_hpa == Approx(898.76).margin(0.05));  // ISO 2533:1975, table at 1000 m
}

}  // namespace
}  // namespace probekeeper::intake

// lib/oxygen against published equations and tables. Sources stand in the files of data/ and beside the
// checks.
#include <catch2/catch.hpp>
#include <cmath>
#include <utility>

#include "oxygen/air.h"
#include "oxygen/altitude.h"
#include "oxygen/convert.h"
#include "oxygen/solubility.h"
#include "reference/cross_check.h"
#include "reference/table.h"

using namespace probekeeper::oxygen;
using namespace probekeeper::reference;

namespace {

constexpr double hpa_per_mmhg = 1013.25 / 760.0;

}  // namespace

TEST_CASE("saturation agrees with Benson and Krause at every degree and salinity, to the last digit") {
    auto const rows = rows_of("do-saturation-fresh-and-salinity.csv");
    REQUIRE(rows.size() == 41);
    for (auto const& row : rows) {
        REQUIRE(row.size() == 10);
        for (std::size_t i = 1; i < row.size(); ++i) {
            CAPTURE(row[0], i);
            double const salinity = 5.0 * static_cast<double>(i - 1);
            CHECK(saturation_mg_l({row[0], salinity}).value() == Approx(row[i]).margin(5.1e-7).epsilon(0));
        }
    }
}

TEST_CASE("fresh-water saturation rounds to the published three decimals") {
    // Standard Methods 4500-O / USGS TM 2011.03, as reproduced in public exercises of numerical methods.
    auto const [t, published] =
        GENERATE(std::pair{0.0, 14.621}, std::pair{8.0, 11.843}, std::pair{16.0, 9.870},
                 std::pair{24.0, 8.418}, std::pair{32.0, 7.305}, std::pair{40.0, 6.413});
    CHECK(saturation_mg_l({t}).value() == Approx(published).margin(5e-4).epsilon(0));
}

TEST_CASE("saturation agrees with the pressure table from 500 to 790 mmHg, to the last digit") {
    double const mmhg[] = {500, 550, 600, 620, 640, 660, 680, 700, 710,
                           720, 730, 740, 750, 760, 770, 780, 790};
    for (auto const& row : rows_of("do-saturation-pressure.csv")) {
        REQUIRE(row.size() == std::size(mmhg) + 1);
        for (std::size_t i = 0; i < std::size(mmhg); ++i) {
            CAPTURE(row[0], mmhg[i]);
            CHECK(saturation_mg_l({row[0], 0.0, mmhg[i] * hpa_per_mmhg}).value() ==
                  Approx(row[i + 1]).margin(5.1e-7).epsilon(0));
        }
    }
}

TEST_CASE("the pressure factor agrees with the published one") {
    for (auto const& row : rows_of("do-pressure-factor.csv")) {
        CAPTURE(row[0]);
        double const hpa = row[0] * 1013.25;
        CHECK(pressure_factor(20.0, hpa).value() == Approx(row[1]).margin(5.1e-7).epsilon(0));
        CHECK(saturation_mg_l({20.0, 0.0, hpa}).value() == Approx(row[3]).margin(5.1e-6).epsilon(0));
    }
    // Standard Methods' own worked example at 0.700 atm prints 0.990092 for factor over pressure (from
    // memory).
    CHECK(pressure_factor(20.0, 0.7 * 1013.25).value() / 0.7 == Approx(0.990092).margin(5e-6).epsilon(0));
}

TEST_CASE("three other ways to saturation stay within their known distance") {
    for (auto const& row : rows_of("do-three-equations.csv")) {
        double const t = row[0], s = row[1];
        CAPTURE(t, s);
        double const ours = saturation_mg_l({t, s}).value();
        double const gg92 = gg92_ml_l.at(t, s);
        CHECK(gg92_umol_kg.at(t, s) == Approx(row[2]).margin(1e-3).epsilon(0));
        CHECK(gg92 == Approx(row[3]).margin(5.1e-6).epsilon(0));
        CHECK(gg92 * umol_per_ml == Approx(row[4]).margin(1e-3).epsilon(0));
        CHECK(weiss_ml_l(t, s) == Approx(row[7]).margin(5.1e-6).epsilon(0));
        CHECK(ours == Approx(row[6]).margin(5.1e-6).epsilon(0));
        CHECK(std::abs(gg92 * umol_per_ml * mg_per_umol - ours) < 0.003);
        CHECK(std::abs(weiss_ml_l(t, s) * 1.42905 - ours) < 0.06);
    }
    // The check value that Garcia and Gordon print: t = 10, S = 35.
    CHECK(gg92_umol_kg.at(10.0, 35.0) == Approx(274.610).margin(5e-4).epsilon(0));
}

TEST_CASE("vapour pressure agrees with Standard Methods, and others with it to 0.15 %") {
    for (auto const& row : rows_of("vapour-pressure.csv")) {
        CAPTURE(row[0]);
        double const ours = vapour_pressure_hpa(row[0]).value();
        CHECK(ours == Approx(row[1]).margin(5.1e-5).epsilon(0));
        CHECK(green_carritt_hpa(row[0], 0.0) == Approx(row[2]).margin(5.1e-5).epsilon(0));
        CHECK(weiss_price_hpa(row[0], 0.0) == Approx(row[3]).margin(5.1e-5).epsilon(0));
        CHECK(weiss_price_hpa(row[0], 35.0) == Approx(row[4]).margin(5.1e-5).epsilon(0));
        CHECK(ours == Approx(green_carritt_hpa(row[0], 0.0)).epsilon(0.0015));
        CHECK(ours == Approx(weiss_price_hpa(row[0], 0.0)).epsilon(0.0015));
        CHECK(ours == Approx(row[5]).epsilon(0.0015));
    }
    for (auto const& row : rows_of("vapour-pressure-units.csv")) {
        double const ours = vapour_pressure_hpa(row[0]).value();
        CHECK(ours / 1013.25 == Approx(row[1]).margin(5.1e-7).epsilon(0));
        CHECK(ours / hpa_per_mmhg == Approx(row[3]).margin(5.1e-5).epsilon(0));
    }
}

TEST_CASE("pressure by height agrees with ISO 2533") {
    for (auto const& row : rows_of("altitude-pressure.csv")) {
        CAPTURE(row[0]);
        double const hpa = pressure_at_geopotential_hpa(row[0]).value();
        CHECK(hpa == Approx(row[1]).margin(5.1e-5).epsilon(0));
        if (row[3] >= 0.5) {
            CHECK(saturation_mg_l({20.0, 0.0, hpa}).value() == Approx(row[4]).margin(5.1e-5).epsilon(0));
        } else {
            CHECK_FALSE(saturation_mg_l({20.0, 0.0, hpa}).has_value());
        }
    }
    // ISO 2533 prints 226.320 hPa at 11 000 m geopotential; geometric heights from the same formulas.
    CHECK(pressure_at_geopotential_hpa(11'000.0).value() == Approx(226.320).margin(5e-4).epsilon(0));
    CHECK(geopotential_height_m(1000.0) == Approx(999.843).margin(5e-4).epsilon(0));
    CHECK(pressure_at_altitude_hpa(1000.0).value() == Approx(898.763).margin(5e-4).epsilon(0));
    CHECK(pressure_at_altitude_hpa(3000.0).value() == Approx(701.211).margin(5e-4).epsilon(0));
}

TEST_CASE("mg/L, per cent and partial pressure convert as in the worked examples") {
    for (auto const& row : rows_of("do-conversions.csv")) {
        Water const water{row[0], row[2], row[1]};
        CAPTURE(row[0], row[1], row[2]);
        CHECK(saturation_mg_l(water).value() == Approx(row[4]).margin(5.1e-6).epsilon(0));
        CHECK(percent_of_mg_l(row[3], water).value() == Approx(row[5]).margin(6e-5).epsilon(0));
        CHECK(po2_of_mg_l(row[3], water).value() == Approx(row[6]).margin(1.1e-4).epsilon(0));
        CHECK(mg_l_of_percent(80.0, water).value() == Approx(row[8]).margin(5.1e-6).epsilon(0));
    }
}

TEST_CASE("air of any humidity reads as the humidity table says") {
    for (auto const& row : rows_of("air-humidity.csv")) {
        double const t = row[0];
        CAPTURE(t);
        CHECK(air_po2_hpa({t, 0.0}).value() == Approx(row[1]).margin(5.1e-5).epsilon(0));
        CHECK(air_po2_hpa({t, 1.0}).value() == Approx(row[2]).margin(5.1e-5).epsilon(0));
        double const dry = reading_in_air_percent({t, 0.0}).value();
        double const half = reading_in_air_percent({t, 0.5}).value();
        CHECK(dry / 100.0 == Approx(row[3]).margin(5.1e-6).epsilon(0));
        CHECK(half / 100.0 == Approx(row[4]).margin(5.1e-6).epsilon(0));
        CHECK(reading_in_air_percent({t, 0.0, 850.0}).value() / 100.0 ==
              Approx(row[5]).margin(5.1e-6).epsilon(0));
        CHECK(100.0 * 100.0 / dry == Approx(row[6]).margin(5.1e-5).epsilon(0));
        CHECK(100.0 * 100.0 / half == Approx(row[7]).margin(5.1e-5).epsilon(0));
    }
}

TEST_CASE("mg/L computed as at sea level is wrong by what the pressure table says") {
    for (auto const& row : rows_of("do-pressure-error.csv")) {
        double const factor = pressure_factor(20.0, row[0]).value();
        CHECK(factor == Approx(row[1]).margin(5.1e-6).epsilon(0));
        CHECK(100.0 * (1.0 / factor - 1.0) == Approx(row[2]).margin(5.1e-4).epsilon(0));
    }
}

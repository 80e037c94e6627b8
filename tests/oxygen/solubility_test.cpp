#include "oxygen/solubility.h"

#include <catch2/catch.hpp>
#include <limits>

using namespace probekeeper::oxygen;

namespace {

constexpr double not_a_number = std::numeric_limits<double>::quiet_NaN();
constexpr double infinity = std::numeric_limits<double>::infinity();

}  // namespace

TEST_CASE("saturation is given up to the edges of where it is known, and not beyond") {
    CHECK(saturation_mg_l({0.0, 0.0, 0.5 * standard_pressure_hpa}).has_value());
    CHECK(saturation_mg_l({40.0, 40.0, 1.1 * standard_pressure_hpa}).has_value());
    auto const water = GENERATE(Water{-0.1}, Water{40.1}, Water{20.0, -0.1}, Water{20.0, 40.1},
                                Water{20.0, 0.0, 506.0}, Water{20.0, 0.0, 1115.0}, Water{not_a_number},
                                Water{20.0, not_a_number}, Water{20.0, 0.0, not_a_number}, Water{infinity},
                                Water{20.0, infinity}, Water{20.0, 0.0, infinity});
    CAPTURE(water.temperature_c, water.salinity_psu, water.pressure_hpa);
    CHECK_FALSE(saturation_mg_l(water).has_value());
}

TEST_CASE("a pressure no greater than that of water vapour has no factor") {
    CHECK_FALSE(pressure_factor(40.0, 73.0).has_value());
    CHECK_FALSE(pressure_factor(20.0, 0.0).has_value());
    CHECK_FALSE(pressure_factor(20.0, -1013.25).has_value());
    CHECK_FALSE(pressure_factor(not_a_number, 1013.25).has_value());
}

TEST_CASE("at one atmosphere the pressure factor is exactly one") {
    for (double t = 0.0; t <= 40.0; t += 0.5) {
        CHECK(pressure_factor(t, standard_pressure_hpa).value() == 1.0);
    }
}

TEST_CASE("below one atmosphere water loses more oxygen than pressure, above it gains more") {
    for (double t = 0.0; t <= 40.0; t += 5.0) {
        CHECK(pressure_factor(t, 0.8 * standard_pressure_hpa).value() < 0.8);
        CHECK(pressure_factor(t, 1.05 * standard_pressure_hpa).value() > 1.05);
    }
}

TEST_CASE("warmer, saltier or higher water holds less oxygen") {
    for (double t = 0.0; t < 40.0; t += 1.0) {
        double const here = saturation_mg_l({t, 10.0}).value();
        CHECK(saturation_mg_l({t + 1.0, 10.0}).value() < here);
        CHECK(saturation_mg_l({t, 11.0}).value() < here);
        CHECK(saturation_mg_l({t, 10.0, 1000.0}).value() < here);
    }
}

TEST_CASE("vapour pressure grows with temperature within 0 to 40 degrees and is unknown outside") {
    for (double t = 0.0; t < 40.0; t += 1.0) {
        CHECK(vapour_pressure_hpa(t + 1.0).value() > vapour_pressure_hpa(t).value());
    }
    CHECK_FALSE(vapour_pressure_hpa(-0.01).has_value());
    CHECK_FALSE(vapour_pressure_hpa(40.01).has_value());
    CHECK_FALSE(vapour_pressure_hpa(not_a_number).has_value());
}

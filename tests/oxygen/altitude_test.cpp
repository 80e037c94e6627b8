#include "oxygen/altitude.h"

#include <catch2/catch.hpp>
#include <limits>

using namespace probekeeper::oxygen;

TEST_CASE("pressure is the standard one at sea level and falls with height, also below it") {
    CHECK(pressure_at_altitude_hpa(0.0).value() == 1013.25);
    for (double z = -1900.0; z <= 11'000.0; z += 100.0) {
        CHECK(pressure_at_altitude_hpa(z).value() < pressure_at_altitude_hpa(z - 100.0).value());
    }
}

TEST_CASE("heights outside the troposphere have no pressure") {
    auto const height = GENERATE(-2001.0, 11'001.0, std::numeric_limits<double>::quiet_NaN(),
                                 std::numeric_limits<double>::infinity());
    CHECK_FALSE(pressure_at_altitude_hpa(height).has_value());
    CHECK_FALSE(pressure_at_geopotential_hpa(height).has_value());
}

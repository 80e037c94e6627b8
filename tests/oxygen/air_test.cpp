#include "oxygen/air.h"

#include <catch2/catch.hpp>
#include <limits>

using namespace probekeeper::oxygen;

TEST_CASE("in water-saturated air a right probe reads 100 % at any pressure that its transmitter knows") {
    auto const pressure = GENERATE(600.0, 950.0, 1013.25, 1040.0);
    CHECK(reading_in_air_percent({18.0, 1.0, pressure}).value() == Approx(100.0).epsilon(1e-14));
}

TEST_CASE("a transmitter that does not know of a fall in pressure reads low in air") {
    // Vapour stays as it is, 2.3 % of an atmosphere at 20 degC, so that a fall of 3 % shows as 3.07 %.
    double const reading = reading_in_air_percent({20.0, 1.0, 0.97 * 1013.25}, 1013.25).value();
    CHECK(reading == Approx(100.0 * (0.97 - 0.023074) / (1.0 - 0.023074)).margin(1e-4));
}

TEST_CASE("the drier the air, the more a right probe reads") {
    for (double humidity = 0.0; humidity < 0.85; humidity += 0.1) {
        CHECK(reading_in_air_percent({25.0, humidity}).value() >
              reading_in_air_percent({25.0, humidity + 0.1}).value());
    }
}

TEST_CASE("air that cannot be has no reading") {
    double const nan = std::numeric_limits<double>::quiet_NaN();
    auto const air = GENERATE_COPY(Air{20.0, -0.01}, Air{20.0, 1.01}, Air{20.0, nan}, Air{-1.0}, Air{nan},
                                   Air{20.0, 0.5, 300.0}, Air{20.0, 0.5, nan});
    CHECK_FALSE(air_po2_hpa(air).has_value());
    CHECK_FALSE(reading_in_air_percent(air).has_value());
    CHECK_FALSE(reading_in_air_percent({20.0}, nan).has_value());
}

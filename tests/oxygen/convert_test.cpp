#include "oxygen/convert.h"

#include <catch2/catch.hpp>

using namespace probekeeper::oxygen;

TEST_CASE("a value converted there and back is the same value") {
    auto const water = GENERATE(Water{0.0}, Water{12.5, 31.0, 1020.0}, Water{40.0, 40.0, 600.0});
    for (double const mg_l : {0.0, -0.3, 5.0, 21.0}) {
        double const percent = percent_of_mg_l(mg_l, water).value();
        CHECK(mg_l_of_percent(percent, water).value() == Approx(mg_l).margin(1e-13));
        double const po2 = po2_of_mg_l(mg_l, water).value();
        CHECK(mg_l_of_po2(po2, water).value() == Approx(mg_l).margin(1e-13));
        CHECK(percent_of_po2(po2, water).value() == Approx(percent).margin(1e-12));
        CHECK(po2_of_percent(percent, water).value() == Approx(po2).margin(1e-12));
    }
}

TEST_CASE("salt lowers mg/L but not partial pressure, which is what a membrane senses") {
    Water const fresh{15.0};
    Water const sea{15.0, 35.0};
    CHECK(po2_of_percent(90.0, sea).value() == po2_of_percent(90.0, fresh).value());
    CHECK(mg_l_of_percent(90.0, sea).value() < 0.85 * mg_l_of_percent(90.0, fresh).value());
}

TEST_CASE("water outside the known ranges converts in no direction") {
    auto const water = GENERATE(Water{41.0}, Water{20.0, 41.0}, Water{20.0, 0.0, 400.0});
    CHECK_FALSE(percent_of_mg_l(8.0, water).has_value());
    CHECK_FALSE(mg_l_of_percent(80.0, water).has_value());
    CHECK_FALSE(po2_of_percent(80.0, water).has_value());
    CHECK_FALSE(percent_of_po2(170.0, water).has_value());
    CHECK_FALSE(po2_of_mg_l(8.0, water).has_value());
    CHECK_FALSE(mg_l_of_po2(170.0, water).has_value());
}

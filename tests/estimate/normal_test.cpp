#include "estimate/normal.h"

#include <catch2/catch.hpp>
#include <cmath>
#include <utility>

using namespace probekeeper::estimate;

TEST_CASE("the normal distribution has its textbook values") {
    CHECK(normal_cdf(0.0) == 0.5);
    CHECK(normal_quantile(0.5) == Approx(0.0).margin(1e-16));
    // Any table of the standard normal; 17 digits from arithmetic of higher precision.
    CHECK(normal_quantile(0.75) == Approx(0.6744897501960817).epsilon(1e-15));
    CHECK(normal_quantile(0.95) == Approx(1.6448536269514722).epsilon(1e-15));
    CHECK(normal_quantile(0.975) == Approx(1.9599639845400545).epsilon(1e-15));
    CHECK(normal_cdf(-1.0) == Approx(0.15865525393145707).epsilon(1e-15));
}

TEST_CASE("quantile and probability are each other's inverse, far into the tail") {
    for (double z = -37.0; z <= 5.0; z += 0.25) {
        CAPTURE(z);
        CHECK(normal_quantile(normal_cdf(z)) == Approx(z).epsilon(1e-9).margin(1e-12));
    }
    for (double const p : {1e-300, 1e-20, 1e-6, 0.01, 0.3, 0.5, 0.99}) {
        CHECK(normal_cdf(normal_quantile(p)) == Approx(p).epsilon(1e-12));
    }
}

TEST_CASE("certain and impossible lie at infinity") {
    CHECK(normal_quantile(0.0) < -1e308);
    CHECK(normal_quantile(1.0) > 1e308);
    CHECK(std::isnan(normal_quantile(std::nan(""))));
}

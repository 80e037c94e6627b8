#include "physics/random.h"

#include <catch2/catch.hpp>
#include <cmath>

using namespace probekeeper::physics;

TEST_CASE("normal numbers have mean 0, deviation 1 and rare tails", "[physics][random]") {
    Random random{1};
    int const count = 400'000;
    double sum = 0.0;
    double squares = 0.0;
    int beyond_two = 0;
    for (int i = 0; i < count; ++i) {
        double const x = random.normal();
        sum += x;
        squares += x * x;
        beyond_two += std::abs(x) > 2.0 ? 1 : 0;
    }
    CHECK(sum / count == Approx(0.0).margin(0.006));
    CHECK(squares / count == Approx(1.0).margin(0.01));
    CHECK(beyond_two / static_cast<double>(count) == Approx(0.0455).margin(0.0015));
}

TEST_CASE("a fork is a stream of its own and moves nothing", "[physics][random]") {
    Random const a{9};
    Random b = a;
    CHECK(a.fork(1).bits() != a.fork(2).bits());
    CHECK(a.fork(1).bits() == b.fork(1).bits());
    Random c = a;
    CHECK(b.bits() == c.bits());
}

TEST_CASE("whole numbers reach both ends and no further", "[physics][random]") {
    Random random{3};
    bool low = false;
    bool high = false;
    for (int i = 0; i < 1000; ++i) {
        int const n = random.whole(2, 5);
        CHECK((n >= 2 && n <= 5));
        low = low || n == 2;
        high = high || n == 5;
    }
    CHECK((low && high));
}

TEST_CASE("a wander's spread and memory do not depend on the step", "[physics][random]") {
    auto const dt = GENERATE(1.0, 20.0);
    CAPTURE(dt);
    Random random{4};
    Wander wander{2.0, 30.0};
    double squares = 0.0;
    double lagged = 0.0;
    double before = 0.0;
    int const count = 400'000;
    for (int i = 0; i < count; ++i) {
        double const now = wander.step(dt, random);
        squares += now * now;
        lagged += now * before;
        before = now;
    }
    CHECK(std::sqrt(squares / count) == Approx(2.0).epsilon(0.03));
    CHECK(lagged / squares == Approx(std::exp(-dt / 30.0)).margin(0.01));
}

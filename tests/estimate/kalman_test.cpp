#include "estimate/kalman.h"

#include <catch2/catch.hpp>
#include <cmath>
#include <limits>
#include <utility>

#include "estimate/noise.h"

using namespace probekeeper::estimate;

namespace {

constexpr double infinity = std::numeric_limits<double>::infinity();
LevelSlopeNoise const trusting{2e-4, 3e-7, 1e-4, infinity};

// Ten days of good values at `level`, one a day.
LevelSlopeFilter settled(LevelSlopeNoise const& noise, double level) {
    LevelSlopeFilter filter{noise};
    for (int day = 0; day < 10; ++day) {
        filter.predict(1.0);
        filter.update(level, 0.01);
    }
    return filter;
}

}  // namespace

TEST_CASE("a filter that has seen nothing knows nothing, however much time passes") {
    LevelSlopeFilter filter;
    filter.predict(10.0);
    CHECK_FALSE(filter.started());
    CHECK(std::isnan(filter.level()));
    CHECK(std::isinf(filter.level_variance()));
    CHECK(std::isnan(filter.forecast(1.0).mean));
}

TEST_CASE("the first value is the level, with its own variance") {
    LevelSlopeFilter filter;
    CHECK(filter.update(3.7, 0.04) == 1.0);
    CHECK(filter.started());
    CHECK(filter.level() == 3.7);
    CHECK(filter.level_variance() == 0.04);
    CHECK(filter.slope() == 0.0);
}

TEST_CASE("two values of a level that cannot move give their weighted mean") {
    LevelSlopeFilter filter{{0.0, 0.0, 0.0, infinity}};
    filter.update(1.0, 0.1);
    filter.predict(5.0);
    filter.update(2.0, 0.3);
    CHECK(filter.level() == Approx(1.25));
    CHECK(filter.level_variance() == Approx(0.075));
}

TEST_CASE("with no noise of its own the filter is the regression line of its values") {
    // Prior of the slope as good as none; y = {1, 3, 4, 8} at {0, 1, 2, 4}: slope 1.7143, level at
    // 4: 7.85714.
    LevelSlopeFilter filter{{0.0, 0.0, 1e9, infinity}};
    double last = 0.0;
    for (auto const& [t, y] :
         {std::pair{0.0, 1.0}, std::pair{1.0, 3.0}, std::pair{2.0, 4.0}, std::pair{4.0, 8.0}}) {
        filter.predict(t - last);
        filter.update(y, 1.0);
        last = t;
    }
    CHECK(filter.slope() == Approx(15.0 / 8.75).epsilon(1e-5));
    CHECK(filter.level() == Approx(4.0 + 2.25 * 15.0 / 8.75).epsilon(1e-5));
    CHECK(filter.slope_variance() == Approx(1.0 / 8.75).epsilon(1e-5));
    CHECK(filter.level_variance() == Approx(0.25 + 2.25 * 2.25 / 8.75).epsilon(1e-5));
    CHECK(filter.covariance() == Approx(2.25 / 8.75).epsilon(1e-5));
}

TEST_CASE("a long gap widens the level exactly as many short ones do") {
    auto once = settled({}, 3.0);
    auto often = once;
    once.predict(30.0);
    for (int i = 0; i < 300; ++i) {
        often.predict(0.1);
    }
    CHECK(often.level() == Approx(once.level()));
    CHECK(often.level_variance() == Approx(once.level_variance()));
    CHECK(often.covariance() == Approx(once.covariance()));
    CHECK(often.slope_variance() == Approx(once.slope_variance()));
}

TEST_CASE("a forecast is what waiting would give, and changes nothing") {
    auto filter = settled({}, 3.0);
    filter.predict(1.0);
    filter.update(3.3, 0.01);
    double const level = filter.level();
    auto const ahead = filter.forecast(20.0);
    CHECK(filter.level() == level);
    filter.predict(20.0);
    CHECK(filter.level() == ahead.mean);
    CHECK(filter.level_variance() == ahead.variance);
}

TEST_CASE("one wild value is told apart: it hardly moves the level, and the less the wilder") {
    auto plain = settled(trusting, 3.0);
    plain.update(8.0, 0.01);
    CHECK(plain.level() > 3.5);
    auto wild = settled({}, 3.0);
    CHECK(wild.update(8.0, 0.01) < 0.01);
    CHECK(wild.level() < 3.02);
    auto wilder = settled({}, 3.0);
    wilder.update(80.0, 0.01);
    CHECK(wilder.level() < wild.level());
    CHECK(wilder.level() >= 3.0);
}

TEST_CASE("a value that is off by little keeps its full weight") {
    auto robust = settled({}, 3.0);
    auto plain = settled(trusting, 3.0);
    CHECK(robust.update(3.15, 0.01) == 1.0);
    plain.update(3.15, 0.01);
    CHECK(robust.level() == plain.level());
}

TEST_CASE("a wild first value is overruled by those that follow") {
    LevelSlopeFilter filter;
    filter.update(9.0, 0.01);
    for (int day = 0; day < 10; ++day) {
        filter.predict(1.0);
        filter.update(3.0, 0.01);
    }
    CHECK(std::abs(filter.level() - 3.0) < 1.5);
    for (int day = 0; day < 60; ++day) {
        filter.predict(1.0);
        filter.update(3.0, 0.01);
    }
    CHECK(filter.level() == Approx(3.0).margin(0.1));
}

TEST_CASE("after a step the level follows at once, and the slope is not taken for it") {
    auto filter = settled({}, 4.0);
    double const slope_variance = filter.slope_variance();
    filter.step(1.0);
    CHECK(filter.slope_variance() == slope_variance);
    filter.update(3.0, 0.01);
    CHECK(filter.level() == Approx(3.0).margin(0.02));
    CHECK(std::abs(filter.slope()) < 0.01);
}

TEST_CASE("a restarted filter is a new one with the same noise") {
    LevelSlopeNoise noise;
    noise.slope_prior = 0.5;
    auto filter = settled(noise, 4.0);
    filter.restart();
    CHECK_FALSE(filter.started());
    CHECK(filter.slope_variance() == 0.5);
    filter.update(1.0, 0.01);
    CHECK(filter.level() == 1.0);
}

TEST_CASE("the filter's intervals hold the truth as often as they say, when the world is as it assumes") {
    Noise noise{23};
    LevelSlopeNoise const world;
    int inside = 0, counted = 0;
    for (int run = 0; run < 200; ++run) {
        double level = 3.0, slope = std::sqrt(world.slope_prior) * noise.next();
        LevelSlopeFilter filter;
        for (int day = 0; day < 100; ++day) {
            level += slope + std::sqrt(world.level) * noise.next();
            slope += std::sqrt(world.slope) * noise.next();
            filter.predict(1.0);
            filter.update(level + 0.1 * noise.next(), 0.01);
            if (day >= 20) {
                ++counted;
                inside +=
                    std::abs(level - filter.level()) < 1.6449 * std::sqrt(filter.level_variance()) ? 1 : 0;
            }
        }
    }
    CHECK(static_cast<double>(inside) / counted == Approx(0.90).margin(0.02));
}

TEST_CASE("a slow rise is found, and the day it reaches a limit is forecast") {
    Noise noise{29};
    LevelSlopeFilter filter;
    double const per_day = std::log(2.0) / 90.0;  // T90 doubles in 90 days
    for (int day = 0; day < 45; ++day) {
        filter.predict(1.0);
        filter.update(3.7 + per_day * day + 0.05 * noise.next(), 0.0025);
    }
    CHECK(filter.slope() == Approx(per_day).margin(2.0 * std::sqrt(filter.slope_variance())));
    auto const then = filter.forecast(46.0);
    CHECK(then.mean == Approx(3.7 + per_day * 90.0).margin(2.0 * std::sqrt(then.variance)));
    CHECK(then.variance > filter.level_variance());
}

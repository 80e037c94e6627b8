// The joint estimate from steps and declines, on tests made by its own definitions: of steps ln of the tail's
// time constant, of declines ln of the mean lag and the aerator's delay together.
#include "diagnosis/level.h"

#include <catch2/catch.hpp>
#include <cmath>
#include <random>

using namespace probekeeper::diagnosis;

namespace {

struct World {
    double tau_s = 20.0;         // at 20 degC, when fresh
    double coating_a_day = 0.0;  // growth of ln tau from day 10 on
    double delay_s = 10.0;
    double ln_lag_over_tail = 0.0;
    double temperature_share = 1.0;
    double ln_to_20 = 0.0;  // on the coldest day; it swings to zero and back in 20 days

    [[nodiscard]] double ln_tau(double day) const {
        return std::log(tau_s) + coating_a_day * std::max(0.0, day - 10.0);
    }
    [[nodiscard]] double correction(double day) const {
        return ln_to_20 * 0.5 * (1.0 - std::cos(day / 20.0 * 6.283185));
    }
};

// Three steps and three declines a day, or what is wanted of them.
Level lived(World const& world, double days, bool steps, bool declines, double fresh_day = 1.0) {
    std::mt19937_64 random{7};
    std::normal_distribution<> noise{0.0, 0.03};
    Level level;
    bool fresh = false;
    for (double day = 0.0; day < days; day += 1.0 / 3.0) {
        level.pass(1.0 / 3.0);
        double const correction = world.correction(day);
        double const ln_tau = world.ln_tau(day) - world.temperature_share * correction;
        if (steps) {
            level.take_step({ln_tau + noise(random), 0.03, correction});
        }
        if (declines) {
            double const late_s = std::exp(ln_tau + world.ln_lag_over_tail) + world.delay_s;
            level.take_decline({std::log(late_s) + noise(random), 0.03, correction});
        }
        if (!fresh && day >= fresh_day) {
            level.is_fresh();
            fresh = true;
        }
    }
    return level;
}

double grown(Level const& level) {
    return level.ln_tau() - level.fresh_ln_tau();
}

}  // namespace

TEST_CASE("steps alone are followed while the probe coats") {
    World const world{.coating_a_day = 0.03};
    auto const level = lived(world, 40.0, true, false);
    CHECK(level.ln_tau() == Approx(world.ln_tau(40.0)).margin(0.06));
    CHECK(level.slope_per_day() == Approx(0.03).margin(0.01));
    CHECK(grown(level) == Approx(0.9).margin(0.07));
}

TEST_CASE("declines that find more than steps do not hide that both grow") {
    // The aerator needs twice as long as is usual: declines are late by it, and less so by ratio as tau
    // grows.
    World const world{.coating_a_day = 0.03, .delay_s = 25.0, .ln_lag_over_tail = 0.5};
    auto const level = lived(world, 40.0, true, true);
    CHECK(grown(level) == Approx(0.9).margin(0.1));
    CHECK(level.ln_tau() == Approx(world.ln_tau(40.0)).margin(0.1));
}

TEST_CASE(
    "steps and declines together tell the aerator's delay once tau has grown, which declines alone do not") {
    World const world{.coating_a_day = 0.04, .delay_s = 20.0};
    auto const both = lived(world, 40.0, true, true);
    CHECK(both.delay_s() == Approx(20.0).margin(4.0));
    CHECK(both.delay_error_s() < 5.0);
}

TEST_CASE("declines alone follow the coating, with an interval that holds the unknown delay") {
    World const world{.coating_a_day = 0.04, .delay_s = 18.0};
    auto const level = lived(world, 30.0, false, true);
    CHECK(std::abs(grown(level) - 0.8) < 2.0 * level.change_error(0.0));
    CHECK(level.change_error(0.0) > 0.03);
}

TEST_CASE(
    "a coating that quickens says nothing of how quick the fresh probe was, where declines alone test it") {
    World const world{.tau_s = 9.0, .coating_a_day = 0.06, .delay_s = 16.0};
    auto const before = lived(world, 9.0, false, true, 2.0), after = lived(world, 30.0, false, true, 2.0);
    CHECK(grown(after) > 0.5);
    CHECK(after.fresh_ln_tau() == Approx(before.fresh_ln_tau()).margin(0.03));
}

namespace {

// Declines thrice a day, none of which says much of itself, of a quick probe behind a quick aerator, which
// slows from the fourth day on. After the first day it is told how quick it is.
Level told_when_fresh(double days, double coating_a_day) {
    constexpr double tau_s = 8.0, delay_s = 5.0, told_day = 1.0, fresh_days = 3.0, slows_day = 4.0;
    std::mt19937_64 random{11};
    std::normal_distribution<> noise{0.0, 0.03};
    Level level;
    for (int third = 0; third < 3 * static_cast<int>(days); ++third) {
        double const day = third / 3.0;
        level.pass(1.0 / 3.0);
        double const lag_s = tau_s * std::exp(coating_a_day * std::max(0.0, day - slows_day));
        level.take_decline({std::log(lag_s + delay_s) + noise(random), 0.12, 0.0});
        if (third == static_cast<int>(3.0 * told_day)) {
            level.expect(std::log(tau_s), 0.13);
        }
        if (day < fresh_days) {
            level.is_fresh();
        }
    }
    return level;
}

}  // namespace

TEST_CASE(
    "once others have told how quick a probe is, declines tell the aerator's delay, and then follow it") {
    CHECK(told_when_fresh(4.0, 0.0).delay_s() == Approx(5.0).margin(2.0));
    CHECK(told_when_fresh(4.0, 0.0).delay_error_s() < 2.0);
    // It has slowed by half within ten days.
    CHECK(grown(told_when_fresh(14.0, 0.04)) == Approx(0.4).margin(0.1));
    CHECK(std::abs(grown(told_when_fresh(14.0, 0.0))) < 0.1);
}

TEST_CASE("what is uncertain of today and of the fresh day alike is not in their ratio") {
    World const world{.delay_s = 18.0};
    auto const level = lived(world, 10.0, false, true);
    CHECK(level.change_error(0.0) < 0.65 * level.ahead(0.0).error);
}

TEST_CASE("the first step tells declines that came before it apart from the tail") {
    World const world{.ln_lag_over_tail = 0.5};
    auto level = lived(world, 10.0, false, true);
    CHECK(level.ln_tau() > world.ln_tau(0.0) + 0.3);
    for (int i = 0; i < 6; ++i) {
        level.pass(1.0 / 3.0);
        level.take_step({world.ln_tau(0.0), 0.03, 0.0});
    }
    CHECK(level.ln_tau() == Approx(world.ln_tau(0.0)).margin(0.05));
    CHECK(grown(level) == Approx(0.0).margin(0.12));
}

TEST_CASE("a membrane that minds the temperature more than is typical is learned from its own tests") {
    World const world{.temperature_share = 1.3, .ln_to_20 = -0.6};
    auto const level = lived(world, 80.0, true, false);
    CHECK(level.temperature_share() == Approx(1.3).margin(0.08));
    CHECK(lived({.ln_to_20 = 0.0}, 80.0, true, false).temperature_share() == Approx(1.0).margin(1e-9));
}

TEST_CASE("tests rougher than they say are trusted less") {
    auto const error_after = [](double scatter) {
        std::mt19937_64 random{3};
        std::normal_distribution<> rough{0.0, scatter};
        Level level;
        for (int i = 0; i < 90; ++i) {
            level.pass(1.0 / 3.0);
            level.take_step({3.0 + rough(random), 0.03, 0.0});
        }
        CHECK(std::abs(level.ln_tau() - 3.0) < 3.0 * level.ahead(0.0).error);
        return level.ahead(0.0).error;
    };
    CHECK(error_after(0.15) > 1.4 * error_after(0.03));
}

TEST_CASE("another membrane forgets the probe and keeps the aerator's delay and the temperature law") {
    World const world{.coating_a_day = 0.04, .delay_s = 20.0, .temperature_share = 1.3, .ln_to_20 = -0.6};
    auto level = lived(world, 60.0, true, true);
    double const delay_s = level.delay_s(), share = level.temperature_share();
    level.restart();
    CHECK_FALSE(level.started());
    CHECK(level.slope_per_day() == 0.0);
    CHECK(level.delay_s() == delay_s);
    CHECK(level.temperature_share() == share);
}

TEST_CASE("a long gap widens what is known ahead as many short ones do") {
    auto once = lived({}, 10.0, true, false);
    auto often = once;
    auto const ahead = once.ahead(30.0);
    double const change_error_ahead = once.change_error(30.0);
    once.pass(30.0);
    for (int i = 0; i < 300; ++i) {
        often.pass(0.1);
    }
    CHECK(often.ahead(0.0).error == Approx(once.ahead(0.0).error));
    CHECK(ahead.error == Approx(once.ahead(0.0).error));
    CHECK(ahead.ln_tau == Approx(once.ahead(0.0).ln_tau));
    CHECK(change_error_ahead == Approx(once.change_error(0.0)));
}

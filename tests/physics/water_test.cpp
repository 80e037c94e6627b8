#include "physics/water.h"

#include <catch2/catch.hpp>
#include <cmath>
#include <cstring>
#include <vector>

#include "physics/saturation.h"

using namespace probekeeper::physics;

namespace {

// A tank in which nothing varies: always full air, no weather to speak of in an hour, no movement.
TankSettings calm_tank() {
    TankSettings s;
    s.kind = WaterKind::continuous;
    s.pauses = false;
    s.setpoint_mg_l = 0.0;
    s.mean_temperature_c = 20.0;
    s.season_swing_c = 0.0;
    s.day_swing_c = 0.0;
    s.load_day_swing = 0.0;
    s.movement_mg_l = 0.0;
    return s;
}

void run(Tank& tank, double seconds, double dt_s = 2.5) {
    for (double t = 0.0; t < seconds; t += dt_s) {
        tank.step(dt_s);
    }
}

}  // namespace

TEST_CASE("saturation agrees with the published table", "[physics][saturation]") {
    // Benson and Krause 1984 as in APHA 4500-O; fresh and salt water, and 0.7 atm.
    CHECK(saturation_mg_l(0.0, 0.0, 1013.25) == Approx(14.6208).margin(5e-5));
    CHECK(saturation_mg_l(20.0, 0.0, 1013.25) == Approx(9.0924).margin(5e-5));
    CHECK(saturation_mg_l(40.0, 0.0, 1013.25) == Approx(6.4127).margin(5e-5));
    CHECK(saturation_mg_l(10.0, 35.0, 1013.25) == Approx(9.0243).margin(5e-5));
    CHECK(saturation_mg_l(20.0, 0.0, 0.7 * 1013.25) == Approx(6.30162).margin(5e-5));
}

TEST_CASE("the oxygen balance settles where gain equals loss", "[physics][water]") {
    TankSettings s = calm_tank();
    s.kla_per_h = 10.0;
    s.kla_idle_per_h = 0.0;
    s.half_saturation_mg_l = 0.3;
    s.uptake_mg_l_h = 30.0;
    Tank tank{s, Random{5}};
    run(tank, 4.0 * 3600.0);
    // Compare with the balance at the state's own temperature and pressure; the load wanders by about 10 %,
    // so find the load that balances and require it to be plausible, then that the state hardly moves.
    auto const& state = tank.state();
    double const kla = 10.0 * std::pow(1.024, state.temperature_c - 20.0);
    double const uptake = 30.0 * std::pow(1.07, state.temperature_c - 20.0);
    double const c = state.do_mg_l;
    double const load = kla * (state.saturation_mg_l - c) * (0.3 + c) / (c * uptake);
    CHECK(load > 0.6);
    CHECK(load < 1.4);
    double const before = c;
    tank.step(1.0);
    CHECK(tank.state().do_mg_l == Approx(before).epsilon(0.001));
}

TEST_CASE("water with no uptake rises to saturation with the time constant 1/kLa", "[physics][water]") {
    TankSettings s = calm_tank();
    s.uptake_mg_l_h = 0.0;
    s.kla_per_h = 6.0;
    s.kla_idle_per_h = 0.0;
    s.aerator_dead_s = 0.0;
    s.aerator_run_s = 0.1;
    Tank tank{s, Random{5}};
    tank.step(1.0);
    auto const deficit = [&] { return tank.state().saturation_mg_l - tank.state().do_mg_l; };
    double const start = deficit();
    run(tank, 600.0, 1.0);
    double const kla = 6.0 * std::pow(1.024, tank.state().temperature_c - 20.0);
    CHECK(deficit() / start == Approx(std::exp(-kla / 6.0)).epsilon(0.02));
}

TEST_CASE("an intermittent tank loses all its oxygen while the air is off", "[physics][water]") {
    TankSettings s = calm_tank();
    s.kind = WaterKind::intermittent;
    s.on_min = 30.0;
    s.off_min = 40.0;
    s.kla_idle_per_h = 0.02;
    Tank tank{s, Random{5}};
    double least = 99.0;
    double most = 0.0;
    for (int i = 0; i < 86'400; ++i) {
        tank.step(1.0);
        least = std::min(least, tank.state().do_mg_l);
        most = std::max(most, tank.state().do_mg_l);
    }
    CHECK(least < 0.01);
    CHECK(most > 2.0);
}

TEST_CASE("oxygen that never ends keeps a tank from going anoxic", "[physics][water]") {
    TankSettings s = calm_tank();
    s.kind = WaterKind::intermittent;
    s.off_min = 60.0;
    s.uptake_mg_l_h = 40.0;
    s.half_saturation_mg_l = 0.3;
    Tank tank{s, Random{5}};
    tank.influence().extra_idle_kla_per_h = 1.8;
    double least = 99.0;
    for (int i = 0; i < 86'400; ++i) {
        tank.step(1.0);
        least = std::min(least, tank.state().do_mg_l);
    }
    CHECK(least > 0.08);
    CHECK(least < 0.35);
}

TEST_CASE("a controlled tank holds its setpoint", "[physics][water]") {
    TankSettings s = calm_tank();
    s.setpoint_mg_l = 2.0;
    s.load_day_swing = 0.3;
    s.uptake_mg_l_h = 30.0;
    Tank tank{s, Random{5}};
    run(tank, 6.0 * 3600.0);
    double worst = 0.0;
    for (int i = 0; i < 86'400; ++i) {
        tank.step(1.0);
        worst = std::max(worst, std::abs(tank.state().do_mg_l - 2.0));
    }
    CHECK(worst < 0.3);
}

TEST_CASE("a pond is supersaturated by day and poor at night", "[physics][water]") {
    Random random{11};
    TankSettings s = typical_tank(WaterKind::pond, random);
    s.start_day_of_year = 170.0;
    s.photosynthesis_mg_l_h = 2.0;
    Tank tank{s, Random{5}};
    double least = 999.0;
    double most = 0.0;
    for (int i = 0; i < 5 * 86'400; ++i) {
        tank.step(1.0);
        double const percent = 100.0 * tank.state().do_mg_l / tank.state().saturation_mg_l;
        least = std::min(least, percent);
        most = std::max(most, percent);
    }
    CHECK(most > 120.0);
    CHECK(least < 85.0);
}

TEST_CASE("the air follows its switch after the aerator's own delay", "[physics][water]") {
    TankSettings s = calm_tank();
    s.kind = WaterKind::intermittent;
    s.aerator_dead_s = 6.0;
    s.aerator_run_s = 8.0;
    Tank tank{s, Random{5}};
    while (!tank.state().aeration) {
        tank.step(0.5);
    }
    while (tank.state().aeration) {
        tank.step(0.5);
    }
    double const full = tank.state().airflow;
    run(tank, 5.0, 0.5);
    CHECK(tank.state().airflow == Approx(full));
    run(tank, 9.0, 0.5);
    CHECK(tank.state().airflow == Approx(full * std::exp(-1.0)).epsilon(0.15));
}

TEST_CASE("without power the bit and the air go, whatever is commanded", "[physics][water]") {
    Tank tank{calm_tank(), Random{5}};
    run(tank, 600.0);
    REQUIRE(tank.state().aeration);
    tank.influence().power = false;
    run(tank, 120.0);
    CHECK_FALSE(tank.state().aeration);
    CHECK(tank.state().airflow < 0.01);
}

TEST_CASE("the same seed gives the same water to the last bit", "[physics][water]") {
    auto const kind =
        GENERATE(WaterKind::intermittent, WaterKind::continuous, WaterKind::fish, WaterKind::pond);
    auto const course = [kind](std::uint64_t seed) {
        Random random{seed};
        TankSettings const s = typical_tank(kind, random);
        Tank tank{s, random.fork(1)};
        std::vector<double> out;
        for (int i = 0; i < 20'000; ++i) {
            tank.step(2.5);
            out.push_back(tank.state().do_mg_l);
        }
        return out;
    };
    auto const first = course(42);
    auto const second = course(42);
    CHECK(std::memcmp(first.data(), second.data(), first.size() * sizeof(double)) == 0);
    CHECK(course(43) != first);
}

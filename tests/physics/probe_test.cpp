#include "physics/probe.h"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <vector>

#include "physics/cleaning.h"
#include "physics/transmitter.h"

using namespace probekeeper::physics;

namespace {

WaterState still_water(double do_mg_l, double temperature_c = 20.0) {
    WaterState water;
    water.do_mg_l = do_mg_l;
    water.saturation_mg_l = 9.0924;
    water.temperature_c = temperature_c;
    return water;
}

ProbeSettings quiet(Response response, double t90_s) {
    ProbeSettings settings;
    settings.response = response;
    settings.t90_fresh_20_s = t90_s;
    settings.own_noise_mg_l = 0.0;
    return settings;
}

// Seconds until a probe at rest in 0 mg/L has gone `part` of the way to 8 mg/L.
double time_to(Probe probe, double part, double temperature_c = 20.0) {
    double const dt = 0.005;
    probe.step(dt, still_water(0.0, temperature_c));
    for (double t = dt;; t += dt) {
        probe.step(dt, still_water(8.0, temperature_c));
        if (probe.reading_mg_l() >= 8.0 * part) {
            return t;
        }
    }
}

}  // namespace

TEST_CASE("a membrane's step response follows the published diffusion series", "[physics][probe]") {
    // Crank, The Mathematics of Diffusion: D t / b^2 at which I/I_inf reaches each level.
    struct Level {
        double part, x;
    };
    auto const level = GENERATE(Level{0.1, 0.06610982}, Level{0.5, 0.13878530}, Level{0.632121, 0.17090706},
                                Level{0.9, 0.30351847}, Level{0.95, 0.37376005});
    CAPTURE(level.part);
    double const b2_over_d = 100.0;
    Probe const probe{quiet(Response::membrane, 0.30351847 * b2_over_d), Random{1}};
    // The lags beyond the ninth are lumped: worth 0.2 % at T90, 2 % at the very foot of the curve.
    double const margin = level.part < 0.3 ? 0.03 : 0.005;
    CHECK(time_to(probe, level.part) == Approx(level.x * b2_over_d).epsilon(margin));
}

TEST_CASE("a first-order probe's T90 is 2.302585 time constants", "[physics][probe]") {
    Probe const probe{quiet(Response::first_order, 46.0517), Random{1}};  // tau = 20 s
    CHECK(time_to(probe, 0.632121) == Approx(20.0).epsilon(0.001));
    CHECK(time_to(probe, 0.9) == Approx(46.0517).epsilon(0.001));
}

TEST_CASE("the T90 that a probe states as truth is the one it shows", "[physics][probe]") {
    auto const response = GENERATE(Response::first_order, Response::membrane);
    Probe probe{quiet(response, 30.0), Random{1}};
    CHECK(probe.t90_20_s() == Approx(30.0).epsilon(0.005));
    probe.wear().coating = 1.7;
    CHECK(probe.t90_20_s() == Approx(51.0).epsilon(0.005));
    probe.wear().film_t90_s = 25.0;
    CHECK(probe.t90_20_s() > 55.0);
    CHECK(probe.t90_20_s() == Approx(time_to(probe, 0.9)).epsilon(0.002));
}

TEST_CASE("a long step gives the same ramp response as many short ones", "[physics][probe]") {
    auto const lag_of = [](double dt) {
        Probe probe{quiet(Response::membrane, 40.0), Random{1}};
        double rising = 0.0;
        for (double t = 0.0; t < 600.0; t += dt) {
            rising = 0.01 * t;
            probe.step(dt, still_water(rising));
        }
        return (rising - probe.reading_mg_l()) / 0.01;
    };
    // A ramp is followed late by the sum of all time constants, b^2/(6 D).
    double const expected = 40.0 / 0.30351847 / 6.0;
    CHECK(lag_of(0.1) == Approx(expected).epsilon(0.001));
    CHECK(lag_of(10.0) == Approx(expected).epsilon(0.001));
}

TEST_CASE("cold water slows a probe by its activation energy", "[physics][probe]") {
    ProbeSettings settings = quiet(Response::first_order, 40.0);
    settings.activation_kj_mol = 25.0;
    // exp(Ea/R (1/283.15 - 1/293.15)) = 1.4365
    CHECK(time_to(Probe{settings, Random{1}}, 0.9, 10.0) == Approx(40.0 * 1.4365).epsilon(0.002));
}

TEST_CASE("coating slows a probe and leaves its settled reading alone", "[physics][probe]") {
    Probe probe{quiet(Response::membrane, 40.0), Random{1}};
    probe.wear().coating = 3.0;
    for (int i = 0; i < 2000; ++i) {
        probe.step(1.0, still_water(6.0));
    }
    CHECK(probe.reading_mg_l() == Approx(6.0).epsilon(1e-9));
}

TEST_CASE("background is read where there is no oxygen", "[physics][probe]") {
    Probe probe{quiet(Response::membrane, 40.0), Random{1}};
    probe.wear().background_mg_l = 0.25;
    probe.step(1.0, still_water(0.0));
    CHECK(probe.reading_mg_l() == Approx(0.25));
}

TEST_CASE("a wrinkled membrane adds movement in proportion to the reading", "[physics][probe]") {
    auto const rms_at = [](double do_mg_l) {
        Probe probe{quiet(Response::membrane, 20.0), Random{7}};
        probe.wear().wrinkle = 0.02;
        double sum = 0.0;
        int const count = 200'000;
        for (int i = 0; i < count; ++i) {
            probe.step(5.0, still_water(do_mg_l));
            sum += std::pow(probe.reading_mg_l() - do_mg_l, 2);
        }
        return std::sqrt(sum / count);
    };
    CHECK(rms_at(8.0) == Approx(0.16).epsilon(0.05));
    CHECK(rms_at(2.0) == Approx(0.04).epsilon(0.05));
}

TEST_CASE("a blast shows air, unless it no longer reaches the membrane", "[physics][probe]") {
    auto const reach = GENERATE(1.0, 0.1);
    Probe probe{quiet(Response::membrane, 20.0), Random{1}};
    probe.wear().cleaning_reach = reach;
    for (int i = 0; i < 600; ++i) {
        probe.step(1.0, still_water(1.0), Place::air);
    }
    CHECK(probe.reading_mg_l() == Approx(1.0 + reach * 8.0924).epsilon(1e-4));
}

TEST_CASE("a new membrane overshoots and has settled after ten minutes", "[physics][probe]") {
    Probe probe{quiet(Response::membrane, 40.0), Random{1}};
    probe.wear().coating = 3.0;
    probe.step(1.0, still_water(9.0));
    probe.change_membrane(1.05, 2.2);
    CHECK(probe.t90_20_s() == Approx(42.0).epsilon(0.005));
    probe.step(1.0, still_water(9.0));
    CHECK(probe.reading_mg_l() > 2.1 * 9.0);
    for (int i = 0; i < 600; ++i) {
        probe.step(1.0, still_water(9.0));
    }
    CHECK(probe.reading_mg_l() == Approx(9.0).epsilon(0.03));
}

TEST_CASE("a transmitter rounds, clips, holds and damps as it is told", "[physics][transmitter]") {
    TransmitterSettings settings;
    settings.noise_mg_l = 0.0;
    settings.resolution_mg_l = 0.1;
    SECTION("rounding and clipping") {
        settings.clips_at_zero = true;
        Transmitter transmitter{settings, Random{1}};
        transmitter.step(1.0, 4.26, false);
        CHECK(transmitter.shown_mg_l() == Approx(4.3));
        transmitter.step(1.0, -0.3, false);
        CHECK(transmitter.shown_mg_l() == 0.0);
    }
    SECTION("frozen while cleaning") {
        settings.freezes_while_cleaning = true;
        Transmitter transmitter{settings, Random{1}};
        transmitter.step(1.0, 2.0, false);
        transmitter.step(1.0, 9.0, true);
        CHECK(transmitter.shown_mg_l() == Approx(2.0));
    }
    SECTION("stuck") {
        Transmitter transmitter{settings, Random{1}};
        transmitter.step(1.0, 2.0, false);
        transmitter.step(1.0, 9.0, false, /*stuck=*/true);
        CHECK(transmitter.shown_mg_l() == Approx(2.0));
    }
    SECTION("damping") {
        settings.damping_s = 10.0;
        settings.resolution_mg_l = 0.0;
        Transmitter transmitter{settings, Random{1}};
        transmitter.step(1.0, 0.0, false);
        for (int i = 0; i < 10; ++i) {
            transmitter.step(1.0, 1.0, false);
        }
        CHECK(transmitter.shown_mg_l() == Approx(0.632121).epsilon(1e-5));
    }
    SECTION("update interval") {
        settings.update_s = 5.0;
        Transmitter transmitter{settings, Random{1}};
        transmitter.step(1.0, 1.0, false);
        int changes = 0;
        double last = transmitter.shown_mg_l();
        for (int i = 1; i <= 50; ++i) {
            transmitter.step(1.0, 1.0 + i, false);
            changes += transmitter.shown_mg_l() != last ? 1 : 0;
            last = transmitter.shown_mg_l();
        }
        CHECK(changes == 10);
    }
}

TEST_CASE("blasts come as often and last as long as they are set to", "[physics][cleaning]") {
    CleanerSettings settings;
    settings.every_h = 2.0;
    settings.blast_s = 40.0;
    Cleaner cleaner{settings, Random{3}};
    int blasts = 0;
    int seconds_on = 0;
    bool before = false;
    for (int second = 0; second < 20 * 86'400; ++second) {
        bool const now = cleaner.step(1.0);
        blasts += now && !before ? 1 : 0;
        seconds_on += now ? 1 : 0;
        before = now;
    }
    CHECK(std::abs(blasts - 240) <= 2);
    CHECK(seconds_on == blasts * 40);
}

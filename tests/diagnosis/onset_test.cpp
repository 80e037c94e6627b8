// Rises out of water without oxygen, whose moment nothing declares, one alone.
#include <catch2/catch.hpp>
#include <cmath>
#include <vector>

#include "diagnosis/response.h"
#include "physics/random.h"

namespace probekeeper::diagnosis {
namespace {

// A tank whose blower starts at `onset_s` and gathers speed, and a first-order probe in it, by small steps.
struct Tank {
    double saturation = 9.5;
    double kla_per_h = 11.0;
    double used_part = 0.5;  // of what the air can give at most, the part that the water uses
    double half_saturation = 0.25;
    double blower_s = 5.0;
    double lag_s = 25.0;
    double onset_s = -12.0;  // t = 0 is where the reading leaves its floor, some time later
    double floor = 0.02, noise = 0.008, poll_s = 5.0;
    std::uint64_t seed = 1;
};

std::vector<FitPoint> points_of(Tank const& s) {
    physics::Random random{s.seed};
    std::vector<FitPoint> points;
    double const dt = 0.05, uptake = s.used_part * s.kla_per_h * s.saturation / 3600.0;
    double water = 0.0, shown = 0.0, air = 0.0, next = -200.0;
    for (double t = -200.0; t <= 420.0; t += dt) {
        if (t >= next) {
            points.push_back({t, s.floor + shown + s.noise * random.normal()});
            next += s.poll_s;
        }
        air += t > s.onset_s ? dt * (1.0 - air) / s.blower_s : 0.0;
        double const change = air * s.kla_per_h / 3600.0 * (s.saturation - water) -
                              uptake * water / (water + s.half_saturation);
        water = std::max(0.0, water + dt * change);
        shown += dt * (water - shown) / s.lag_s;
    }
    return points;
}

ResponseFit fit(Tank const& s) {
    return fit_found_rise(points_of(s), s.saturation);
}

}  // namespace

TEST_CASE("a rise whose moment nobody tells gives the lag of probe and blower, within its interval",
          "[diagnosis][response]") {
    double const lag = GENERATE(12.0, 25.0, 60.0);
    double const kla = GENERATE(7.0, 13.0);
    double const used = GENERATE(0.4, 0.65);
    CAPTURE(lag, kla, used);
    Tank s;
    s.lag_s = lag;
    s.kla_per_h = kla;
    s.used_part = used;
    auto const found = fit(s);
    CAPTURE(found.late_s, found.ln_error, found.kla_per_h, found.onset_s, found.set_aside);
    REQUIRE(found.set_aside == "");
    CHECK(found.onset_found);
    CHECK(std::abs(std::log(found.late_s / (lag + s.blower_s))) < 1.645 * found.ln_error + 0.1);
    CHECK(std::abs(std::log(found.late_s / (lag + s.blower_s))) < 0.5);
    CHECK(found.onset_s == Approx(s.onset_s).margin(15.0));
}

TEST_CASE("many such rises are not off to one side", "[diagnosis][response]") {
    Tank s;
    double off = 0.0;
    constexpr int rises = 24;
    for (int i = 0; i < rises; ++i) {
        s.seed = static_cast<std::uint64_t>(i) + 1;
        s.used_part = 0.4 + 0.2 * (i % 3) / 2.0;
        off += std::log(fit(s).late_s / (s.lag_s + s.blower_s)) / rises;
    }
    CHECK(std::abs(off) < 0.12);
}

TEST_CASE("a coarse reading, which rests at its floor without any noise, is not taken for an exact one",
          "[diagnosis][response]") {
    Tank s;
    s.noise = 0.003;
    s.lag_s = GENERATE(15.0, 45.0);
    auto points = points_of(s);
    for (auto& p : points) {
        p.value = std::round(10.0 * p.value) / 10.0;
    }
    auto const found = fit_found_rise(points, s.saturation);
    CAPTURE(found.late_s, found.ln_error, found.set_aside);
    REQUIRE(found.set_aside == "");
    // With 0.8 it would know no more than before.
    CHECK(found.ln_error < 1.2);
    CHECK(std::abs(std::log(found.late_s / (s.lag_s + s.blower_s))) < 1.645 * found.ln_error);
}

TEST_CASE("less air or more load do not pass for a slower probe", "[diagnosis][response]") {
    Tank s;
    auto const usual = fit(s);
    Tank const less_air = [&] {
        Tank t = s;
        t.kla_per_h *= 0.6;
        t.used_part /= 0.6;
        return t;
    }();
    Tank const more_load = [&] {
        Tank t = s;
        t.used_part *= 1.4;
        return t;
    }();
    for (auto const& changed : {fit(less_air), fit(more_load)}) {
        CAPTURE(usual.late_s, changed.late_s, usual.kla_per_h, changed.kla_per_h, changed.ln_error);
        REQUIRE(changed.set_aside == "");
        CHECK(changed.late_s < 1.3 * usual.late_s);
        // Where the lag shrinks instead, the fit knows that it is lost.
        CHECK(std::log(usual.late_s / changed.late_s) < 1.645 * std::hypot(changed.ln_error, usual.ln_error));
    }
    s.lag_s *= 3.0;
    CHECK(fit(s).late_s > 1.8 * usual.late_s);
}

TEST_CASE("what is no rise out of a floor is refused", "[diagnosis][response]") {
    Tank s;
    auto points = points_of(s);
    auto const refused = [&] { return fit_found_rise(points, s.saturation); };
    SECTION("no readings of the floor") {
        points.erase(points.begin(), points.begin() + 40);
        CHECK_FALSE(refused().onset_found);
    }
    SECTION("the water hardly rises") {
        for (auto& p : points) {
            p.value *= 0.05;
        }
        CHECK_FALSE(refused().onset_found);
    }
    SECTION("a blast, which comes back") {
        for (auto& p : points) {
            p.value = p.t_s > 0.0 && p.t_s < 120.0 ? 6.0 : 0.02;
        }
        CHECK_FALSE(refused().onset_found);
    }
    SECTION("a lift into air") {
        for (auto& p : points) {
            p.value = p.t_s > 0.0 ? 9.4 * (1.0 - std::exp(-p.t_s / 20.0)) : 0.02;
        }
        CHECK_FALSE(refused().onset_found);
    }
    SECTION("polled too seldom") {
        s.poll_s = 120.0;
        points = points_of(s);
        CHECK_FALSE(refused().onset_found);
    }
}

}  // namespace probekeeper::diagnosis

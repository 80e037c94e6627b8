#include <catch2/catch.hpp>
#include <cmath>
#include <vector>

#include "diagnosis/response.h"
#include "electrode/first_order.h"
#include "physics/random.h"

namespace probekeeper::diagnosis {
namespace {

// A water whose aeration is switched or stepped at t = 0, and a first-order probe in it, by small steps.
struct Switched {
    double saturation = 9.1;
    double from = 1.5;       // mg/L before
    double kla_per_h = 8.0;  // after; before, the water is at rest
    double uptake_mg_l_h = 30.0;
    double half_saturation = 0.25;  // Monod
    double delay_s = 8.0;
    double t90_s = 60.0;
    double until_s = 900.0, poll_s = 5.0, noise = 0.01;
    std::uint64_t seed = 1;
};

std::vector<FitPoint> points_of(Switched const& s) {
    physics::Random random{s.seed};
    std::vector<FitPoint> points;
    double const dt = 0.1, tau = s.t90_s / electrode::first_order_t90_over_tau;
    double water = s.from, shown = s.from, next = -120.0;
    for (double t = -120.0; t <= s.until_s; t += dt) {
        if (t >= next) {
            points.push_back({t, shown + s.noise * random.normal()});
            next += s.poll_s;
        }
        double const uptake = s.uptake_mg_l_h / 3600.0 * water / (water + s.half_saturation);
        water += t > s.delay_s ? dt * (s.kla_per_h / 3600.0 * (s.saturation - water) - uptake) : 0.0;
        shown += (water - shown) * dt / tau;
    }
    return points;
}

ResponseFit fit(Switched const& s) {
    return fit_rise(points_of(s), s.delay_s, 3.0, s.noise, s.saturation);
}

}  // namespace

TEST_CASE("the rise after the aeration begins tells how late a probe is, and kLa beside it",
          "[diagnosis][response]") {
    double const from = GENERATE(0.0, 0.3, 1.5, 4.0);
    double const kla = GENERATE(6.0, 12.0);
    double const t90 = GENERATE(30.0, 60.0, 120.0);
    CAPTURE(from, kla, t90);
    Switched s;
    s.from = from;
    s.kla_per_h = kla;
    s.uptake_mg_l_h = (from > 2.0 ? 2.0 : 4.0) * kla;
    s.t90_s = t90;
    auto const found = fit(s);
    CAPTURE(found.tau_s, found.late_s, found.late_error_s, found.kla_per_h);
    double const lag = t90 / electrode::first_order_t90_over_tau;
    CHECK(std::abs(found.late_s - s.delay_s - lag) < std::max(2.5 * found.late_error_s, 0.1 * lag));
    CHECK(std::abs(found.late_s - s.delay_s - lag) < 0.35 * lag + 3.0);
    // Without oxygen the water uses less, which passes for kLa.
    CHECK(found.kla_per_h == Approx(kla).epsilon(from < 1.0 ? 0.45 : 0.2));
}

TEST_CASE("a diffuser that gives half the air does not make a probe look slower", "[diagnosis][response]") {
    Switched s;
    s.from = 2.0;
    s.uptake_mg_l_h = 15.0;
    auto const whole = fit(s);
    s.kla_per_h *= 0.5;
    auto const half = fit(s);
    CAPTURE(whole.late_s, half.late_s, whole.kla_per_h, half.kla_per_h);
    CHECK(half.kla_per_h == Approx(0.5 * whole.kla_per_h).epsilon(0.2));
    CHECK(half.late_s == Approx(whole.late_s).margin(6.0));
}

TEST_CASE("a rise that cannot be believed is set aside with its reason", "[diagnosis][response]") {
    Switched s;
    SECTION("the water hardly rises") {
        s.until_s = 20.0;
        CHECK(fit(s).set_aside != "");
    }
    SECTION("so much noise that nothing is left of it") {
        s.noise = 1.0;
        CHECK(fit(s).set_aside != "");
    }
    SECTION("polled too seldom") {
        s.poll_s = 120.0;
        CHECK(fit(s).set_aside == "too few readings within the response");
    }
}

}  // namespace probekeeper::diagnosis

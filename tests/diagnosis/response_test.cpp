#include "diagnosis/response.h"

#include <catch2/catch.hpp>
#include <cmath>
#include <numbers>
#include <vector>

#include "diagnosis/shown.h"
#include "electrode/first_order.h"
#include "electrode/membrane.h"
#include "physics/random.h"

namespace probekeeper::diagnosis {
namespace {

using test::Shown, test::first_order, test::membrane;

struct Exposure {
    double base = 4.0, air = 9.0;
    double length_s = 240.0;
    double until_s = 300.0;  // of the piece, after the end
    double poll_s = 5.0;
    double noise = 0.0;
    std::uint64_t seed = 1;
};

// A probe at rest in water, `length_s` in air, and back in the water at t = 0.
std::vector<FitPoint> points_of(Exposure const& e, Shown const& shown) {
    physics::Random random{e.seed};
    std::vector<FitPoint> points;
    for (double t = -e.length_s - 120.0 + 0.3 * e.poll_s; t <= e.until_s; t += e.poll_s) {
        double const part = shown(t + e.length_s) - shown(t);
        points.push_back({t, e.base + (e.air - e.base) * part + e.noise * random.normal()});
    }
    return points;
}

ResponseFit fit(Exposure const& e, Shown const& shown) {
    return fit_fall(points_of(e, shown), -e.length_s, e.noise);
}

bool contains(std::string_view text, std::string_view part) {
    return text.find(part) != std::string_view::npos;
}

}  // namespace

TEST_CASE("the fall of a first-order probe gives its time constant at any poll that resolves it",
          "[diagnosis][response]") {
    double const t90 = GENERATE(15.0, 40.0, 120.0);
    double const poll = GENERATE(1.0, 2.0, 5.0);
    CAPTURE(t90, poll);
    Exposure e;
    e.poll_s = poll;
    e.length_s = 3.0 * t90;
    e.until_s = 5.0 * t90;
    auto const found = fit(e, first_order(t90));
    CHECK(found.set_aside == "");
    CHECK(found.tau_s * electrode::first_order_t90_over_tau == Approx(t90).epsilon(0.02));
    CHECK(std::abs(found.onset_s) < 0.3 * found.tau_s);
    CHECK(found.step > 0.8 * 0.9 * (e.air - e.base));
}

TEST_CASE("noise widens the error of a fit, which goes on telling how far off it may be",
          "[diagnosis][response]") {
    double const noise = GENERATE(0.01, 0.03, 0.1);
    double const poll = GENERATE(2.0, 5.0);
    CAPTURE(noise, poll);
    double worst = 0.0, largest_error = 0.0;
    for (std::uint64_t seed = 1; seed <= 40; ++seed) {
        Exposure e;
        e.noise = noise;
        e.poll_s = poll;
        e.seed = seed;
        auto const found = fit(e, first_order(40.0));
        CAPTURE(seed, found.tau_s, found.ln_error);
        REQUIRE(found.set_aside == "");
        double const off = std::log(found.tau_s * electrode::first_order_t90_over_tau / 40.0);
        worst = std::max(worst, std::abs(off) / found.ln_error);
        largest_error = std::max(largest_error, found.ln_error);
        CHECK(std::abs(off) < 0.3);
    }
    CHECK(worst < 4.0);
    CHECK(largest_error < 0.35);
}

TEST_CASE("the fall behind a membrane gives the constant of its exponential tail, and an onset that tells it",
          "[diagnosis][response]") {
    double const t90 = GENERATE(20.0, 40.0, 120.0);
    double const poll = GENERATE(1.0, 2.0, 5.0);
    double const noise = GENERATE(0.0, 0.01);
    CAPTURE(t90, poll, noise);
    Exposure e;
    e.poll_s = poll;
    e.noise = noise;
    e.length_s = 3.0 * t90;
    e.until_s = 5.0 * t90;
    auto const found = fit(e, membrane(t90));
    CHECK(found.set_aside == "");
    CHECK(found.tau_s * electrode::membrane_t90_over_tail == Approx(t90).epsilon(0.15));
    // The tail of 1 - 2 exp(-t/tau) begins ln 2 time constants late; that of a first-order probe at once.
    CHECK(found.onset_s > 0.35 * found.tau_s);
    CHECK(found.onset_s < 1.1 * found.tau_s);
}

TEST_CASE("a fall towards more oxygen is fitted like one towards less", "[diagnosis][response]") {
    Exposure e;
    e.base = 12.0;  // water above saturation: air is the lower level
    auto const found = fit(e, first_order(40.0));
    CHECK(found.set_aside == "");
    CHECK(found.step < 0.0);
    CHECK(found.tau_s * electrode::first_order_t90_over_tau == Approx(40.0).epsilon(0.03));
}

TEST_CASE("a water that drifts evenly does not change the time constant", "[diagnosis][response]") {
    Exposure e;
    auto points = points_of(e, first_order(40.0));
    for (auto& p : points) {
        p.value -= 0.001 * p.t_s;
    }
    auto const found = fit_fall(points, -e.length_s, 0.01);
    CHECK(found.set_aside == "");
    CHECK(found.tau_s * electrode::first_order_t90_over_tau == Approx(40.0).epsilon(0.05));
}

TEST_CASE("a fit that cannot be believed is set aside with its reason", "[diagnosis][response]") {
    Exposure e;
    SECTION("no step at all") {
        e.air = e.base;
        CHECK(fit(e, first_order(40.0)).set_aside == "no step seen");
    }
    SECTION("a step that the noise swallows") {
        e.air = e.base + 0.05;
        e.noise = 0.05;
        for (e.seed = 1; e.seed <= 20; ++e.seed) {
            CHECK(fit(e, first_order(40.0)).set_aside != "");
        }
    }
    SECTION("cut short") {
        e.until_s = 35.0;
        e.poll_s = 2.0;
        auto const found = fit(e, first_order(90.0));
        CAPTURE(found.set_aside);
        CHECK((contains(found.set_aside, "short") || contains(found.set_aside, "no step") ||
               contains(found.set_aside, "uncertain") || contains(found.set_aside, "too few")));
    }
    SECTION("polled so seldom that the fall is over between two readings") {
        e.poll_s = 60.0;
        e.until_s = 900.0;
        CHECK(contains(fit(e, first_order(15.0)).set_aside, "too few"));
    }
    SECTION("hardly any readings") {
        e.poll_s = 120.0;
        CHECK(contains(fit(e, first_order(40.0)).set_aside, "too few"));
    }
}

namespace {

struct SwitchOff {
    double rises_mg_l_s = 0.0;    // before, and no longer
    double background = 0.0;      // what the probe reads where there is no oxygen
    double level = 6.0;           // before
    double uptake_mg_l_h = 36.0;  // 0.01 mg/L/s
    double delay_s = 8.0;         // of the aerator
    double run_down_s = 0.0;      // the air does not stop at once then, but runs down; beside the delay
    bool membrane = false;        // else the response is of first order
    double t90_s = 60.0;
    double until_s = 600.0;
    double poll_s = 5.0;
    double noise = 0.01;
    std::uint64_t seed = 1;
};

// The lags that follow each other in a probe; of a membrane those of q / sinh q (Crank), the late ones as
// one.
std::vector<double> lags_of(SwitchOff const& s) {
    if (!s.membrane) {
        return {s.t90_s / electrode::first_order_t90_over_tau};
    }
    double const tau = s.t90_s / electrode::membrane_t90_over_tail;
    std::vector<double> lags;
    double left = std::numbers::pi * std::numbers::pi / 6.0;
    for (double n = 1.0; n < 8.0; ++n) {
        lags.push_back(tau / (n * n));
        left -= 1.0 / (n * n);
    }
    lags.push_back(tau * left);
    return lags;
}

// dC/dt = air - r C / (C + 0.3), behind a probe; the air ends after the delay, and held the level until then.
std::vector<FitPoint> points_of(SwitchOff const& s) {
    physics::Random random{s.seed};
    std::vector<FitPoint> points;
    auto const lags = lags_of(s);
    double const dt = 0.1;
    double water = s.level - 120.0 * s.rises_mg_l_s, next = -120.0;
    double const used = s.uptake_mg_l_h / 3600.0 * s.level / (s.level + 0.3);
    std::vector<double> shown;
    double behind_s = 0.0;
    for (double const lag : lags) {
        behind_s += lag;
        shown.push_back(water - behind_s * s.rises_mg_l_s);
    }
    for (double t = -120.0; t <= s.until_s; t += dt) {
        if (t >= next) {
            points.push_back({t, s.background + shown.back() + s.noise * random.normal()});
            next += s.poll_s;
        }
        bool const off = t > s.delay_s;
        double const air = s.run_down_s > 0.0 ? used * std::exp(-(t - s.delay_s) / s.run_down_s) : 0.0;
        water += dt * (off ? air - s.uptake_mg_l_h / 3600.0 * water / (water + 0.3) : s.rises_mg_l_s);
        double in = water;
        for (std::size_t i = 0; i < lags.size(); ++i) {
            shown[i] += (in - shown[i]) * dt / std::max(lags[i], dt);
            in = shown[i];
        }
    }
    return points;
}

}  // namespace

TEST_CASE("the decline after the aeration stops tells a slow probe from a quick one",
          "[diagnosis][response]") {
    for (std::uint64_t seed = 1; seed <= 10; ++seed) {
        SwitchOff s;
        s.seed = seed;
        auto const quick = fit_decline(points_of(s), 8.0, 3.0, s.noise, 9.0);
        s.t90_s = 180.0;
        auto const slow = fit_decline(points_of(s), 8.0, 3.0, s.noise, 9.0);
        CAPTURE(seed, quick.tau_s, slow.tau_s, quick.set_aside, slow.set_aside);
        CHECK(quick.set_aside == "");
        CHECK(slow.set_aside == "");
        CHECK(quick.tau_s * electrode::first_order_t90_over_tau == Approx(60.0).epsilon(0.4));
        CHECK(slow.tau_s * electrode::first_order_t90_over_tau == Approx(180.0).epsilon(0.3));
    }
}

TEST_CASE("a thirstier water does not look like a quicker probe", "[diagnosis][response]") {
    SwitchOff s;
    s.noise = 0.005;
    double const uptake = GENERATE(25.0, 50.0);
    s.uptake_mg_l_h = uptake;
    s.until_s = 0.75 * s.level / uptake * 3600.0;
    auto const found = fit_decline(points_of(s), 8.0, 3.0, s.noise, 9.0);
    CAPTURE(uptake, found.tau_s, found.set_aside);
    CHECK(found.set_aside == "");
    CHECK(found.tau_s * electrode::first_order_t90_over_tau == Approx(60.0).epsilon(0.4));
}

TEST_CASE("water that runs short before the reading has followed does not make a slow probe quicker",
          "[diagnosis][response]") {
    SwitchOff s;
    s.level = 2.3;
    s.uptake_mg_l_h = 55.0;
    s.t90_s = GENERATE(60.0, 120.0, 240.0);
    s.background = GENERATE(0.0, 0.1);
    double sum = 0.0;
    for (s.seed = 1; s.seed <= 10; ++s.seed) {
        auto const found = fit_decline(points_of(s), 8.0, 5.0, s.noise, 9.0);
        CAPTURE(s.seed, s.t90_s, found.late_s, found.set_aside);
        CHECK(found.set_aside == "");
        sum += found.late_s;
    }
    double const late_s = s.delay_s + s.t90_s / electrode::first_order_t90_over_tau;
    CHECK(0.1 * sum == Approx(late_s).epsilon(0.15));
}

TEST_CASE("water that was still rising when the air stopped does not make a probe slower",
          "[diagnosis][response]") {
    SwitchOff s;
    s.level = 2.5;
    s.uptake_mg_l_h = 30.0;
    s.t90_s = GENERATE(40.0, 120.0);
    s.rises_mg_l_s = GENERATE(0.0, 0.003);
    double sum = 0.0;
    for (s.seed = 1; s.seed <= 10; ++s.seed) {
        auto const found = fit_decline(points_of(s), 8.0, 5.0, s.noise, 9.0);
        CAPTURE(s.seed, s.t90_s, s.rises_mg_l_s, found.late_s, found.set_aside);
        CHECK(found.set_aside == "");
        sum += found.late_s;
    }
    double const late_s = s.delay_s + s.t90_s / electrode::first_order_t90_over_tau;
    CHECK(0.1 * sum == Approx(late_s).epsilon(0.12));
}

namespace {

struct ByKind {
    double late_s = 0.0, membrane_late_s = 0.0, evidence = 0.0;  // of ten declines, on average
};

ByKind by_kind(SwitchOff s) {
    ByKind mean;
    for (s.seed = 1; s.seed <= 10; ++s.seed) {
        auto const points = points_of(s);
        mean.late_s += 0.1 * fit_decline(points, 10.0, 5.0, s.noise, 9.0, 0.0).late_s;
        mean.membrane_late_s += 0.1 * fit_decline(points, 10.0, 5.0, s.noise, 9.0, 1.0).late_s;
        mean.evidence += 0.1 * fit_decline(points, 10.0, 5.0, s.noise, 9.0, 0.5).membrane_evidence;
    }
    return mean;
}

}  // namespace

TEST_CASE("declines tell a membrane from a first-order response, and are as late as either should be",
          "[diagnosis][response]") {
    SwitchOff s;
    s.level = 2.5;
    s.uptake_mg_l_h = 40.0;
    s.delay_s = 3.0;
    s.run_down_s = 8.0;
    s.t90_s = GENERATE(80.0, 160.0);
    CAPTURE(s.t90_s);
    double const delay_s = s.delay_s + s.run_down_s;
    SECTION("first order") {
        auto const seen = by_kind(s);
        CAPTURE(seen.late_s, seen.membrane_late_s, seen.evidence);
        CHECK(seen.evidence < -0.7);
        CHECK(seen.late_s == Approx(delay_s + s.t90_s / electrode::first_order_t90_over_tau).epsilon(0.08));
    }
    SECTION("membrane") {
        s.membrane = true;
        auto const seen = by_kind(s);
        CAPTURE(seen.late_s, seen.membrane_late_s, seen.evidence);
        double const late_s = delay_s + s.t90_s / electrode::membrane_t90_over_mean;
        CHECK(seen.evidence > 0.7);
        CHECK(seen.membrane_late_s == Approx(late_s).epsilon(0.08));
        CHECK(std::abs(seen.late_s - late_s) > std::abs(seen.membrane_late_s - late_s));
    }
}

TEST_CASE("a decline of unknown kind lies between both, and of a known one only that is tried",
          "[diagnosis][response]") {
    SwitchOff s;
    s.membrane = true;
    s.t90_s = 120.0;
    auto const points = points_of(s);
    double const first = fit_decline(points, 10.0, 5.0, s.noise, 9.0, 0.0).late_s;
    double const membrane = fit_decline(points, 10.0, 5.0, s.noise, 9.0, 1.0).late_s;
    auto const between = fit_decline(points, 10.0, 5.0, s.noise, 9.0, 0.5);
    CHECK(between.late_s == Approx(0.5 * (first + membrane)));
    CHECK(between.membrane_evidence != 0.0);
    CHECK(fit_decline(points, 10.0, 5.0, s.noise, 9.0, 0.02).late_s == Approx(first));
    CHECK(fit_decline(points, 10.0, 5.0, s.noise, 9.0, 0.98).membrane_evidence == 0.0);
}

TEST_CASE("a decline that cannot be believed is set aside with its reason", "[diagnosis][response]") {
    SwitchOff s;
    SECTION("no oxygen to fall from") {
        s.level = 0.3;
        CHECK(contains(fit_decline(points_of(s), 8.0, 3.0, s.noise, 9.0).set_aside, "no oxygen"));
    }
    SECTION("the water hardly falls") {
        s.uptake_mg_l_h = 2.0;
        CHECK(contains(fit_decline(points_of(s), 8.0, 3.0, s.noise, 9.0).set_aside, "fall enough"));
    }
    SECTION("the aeration came back at once") {
        s.until_s = 20.0;
        CHECK(fit_decline(points_of(s), 8.0, 3.0, s.noise, 9.0).set_aside != "");
    }
}

}  // namespace probekeeper::diagnosis

#include "diagnosis/pulse.h"

#include <catch2/catch.hpp>
#include <cmath>
#include <vector>

#include "diagnosis/shown.h"
#include "physics/random.h"

namespace probekeeper::diagnosis {
namespace {

using test::Shown, test::first_order, test::membrane;

struct Blast {
    double length_s = 40.0, poll_s = 5.0, beside_s = 5.0, noise = 0.01;
    double base = 2.0, air = 9.0;
    bool frozen = false;
    std::uint64_t seed = 1;
};

// What the air reaches through the flush of the water, and slime where that is long, and what a probe shows
// of it, by small steps of the outside.
PulseFit blasted(Blast const& b, Shown const& shown) {
    constexpr double dt = 0.25;
    double const until_s = 300.0;
    std::vector<double> outside;
    for (double t = -b.length_s; t <= until_s; t += dt) {
        double const in = -std::expm1(-(t + b.length_s) / b.beside_s);
        outside.push_back(in + (t > 0.0 ? std::expm1(-t / b.beside_s) : 0.0));
    }
    std::vector<double> steps;
    for (double t = 0.0; t <= b.length_s + until_s; t += dt) {
        steps.push_back(shown(t));
    }
    physics::Random random{b.seed};
    double const phase_s = random.uniform(0.0, b.poll_s);
    std::vector<FitPoint> points;
    double last_in_s = -b.length_s, first_after_s = 0.0;
    for (double t = -b.length_s - 120.0 + phase_s; t < until_s; t += b.poll_s) {
        double part = 0.0;
        auto const at = static_cast<std::size_t>(std::max(0.0, (t + b.length_s) / dt));
        for (std::size_t i = 1; i <= at && i < outside.size(); ++i) {
            part += (outside[i] - outside[i - 1]) * steps[at - i];
        }
        bool const during = t > -b.length_s && t <= 0.0;
        points.push_back(
            {t, b.base + (during && b.frozen ? 0.0 : (b.air - b.base) * part) + b.noise * random.normal()});
        last_in_s = during ? t : last_in_s;
        first_after_s = t <= 0.0 ? t + b.poll_s : first_after_s;
    }
    // The ends, as a bit tells them that is read with the readings: between two of them.
    double const end_s = 0.5 * (last_in_s + first_after_s);
    for (auto& p : points) {
        p.t_s -= end_s;
    }
    Pulse pulse;
    pulse.begin_s = -b.length_s - end_s;
    pulse.begin_gap_s = b.poll_s;
    pulse.end_gap_s = b.poll_s;
    pulse.way = b.air - b.base;
    pulse.frozen = b.frozen;
    return fit_pulse(points, pulse, 15.0, b.noise);
}

}  // namespace

TEST_CASE("the whole course of blasts tells T90 and the kind of the response", "[diagnosis][pulse]") {
    bool const of_membrane = GENERATE(false, true);
    double const t90 = GENERATE(22.0, 45.0, 80.0);
    Blast b;
    b.frozen = GENERATE(false, true);
    CAPTURE(of_membrane, t90, b.frozen);
    double evidence = 0.0, ln = 0.0;
    constexpr int blasts = 12;
    for (int i = 0; i < blasts; ++i) {
        b.seed = static_cast<std::uint64_t>(i + 1);
        auto const found = blasted(b, of_membrane ? membrane(t90) : first_order(t90));
        evidence += found.membrane_evidence;
        ln += (of_membrane ? found.ln_membrane : found.ln_first_order) / blasts;
    }
    CHECK((of_membrane ? evidence : -evidence) > 3.0);
    CHECK(std::exp(ln) == Approx(t90).epsilon(0.05));
}

TEST_CASE("what lags too long beside a membrane to be a flush is part of its response",
          "[diagnosis][pulse]") {
    Blast b;
    b.poll_s = 2.5;
    b.beside_s = 5.0;
    auto const clean = blasted(b, first_order(60.0));
    b.beside_s = 16.0;
    auto const slimy = blasted(b, first_order(60.0));
    // Two lags in series, by hand: 26.1 and 16 less the usual flush.
    CHECK(std::exp(clean.ln_first_order) == Approx(60.0).epsilon(0.05));
    CHECK(std::exp(slimy.ln_first_order) > 66.0);
    CHECK(std::exp(slimy.ln_first_order) < 80.0);
}

}  // namespace probekeeper::diagnosis

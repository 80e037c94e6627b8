// What two probes in one water tell of each other.
#include "diagnosis/neighbour.h"

#include <catch2/catch.hpp>
#include <cmath>
#include <complex>
#include <functional>
#include <numbers>

#include "diagnosis/bench.h"
#include "electrode/membrane.h"

namespace probekeeper::diagnosis::test {
namespace {

using Complex = std::complex<double>;

// What a linear probe does to a wave of this angular frequency.
using Transfer = std::function<Complex(double)>;

Transfer first_order(double tau_s) {
    return [tau_s](double w) { return 1.0 / Complex{1.0, w * tau_s}; };
}

// q / sinh q with q^2 = i w b^2 / D (Laplace transform of the diffusion series).
Transfer membrane(double t90_s) {
    return [b2_over_d = t90_s / electrode::membrane_x90](double w) {
        Complex const q = std::sqrt(Complex{0.0, w * b2_over_d});
        return q / std::sinh(q);
    };
}

struct Shown {
    Transfer transfer;
    double gain = 1.0, offset = 0.0, noise = 0.01;
    std::int64_t every_s = 10, first_s = 0;
    double alone = 0.0;  // mg/L that only it moves, over 50 minutes
};

// An hour and a half of water whose oxygen swings by `height` within 14 and 33 minutes, or so many times as
// quickly.
Samples readings(Shown const& shown, double height = 1.0, double quicker = 1.0) {
    Samples samples;
    physics::Random random{static_cast<std::uint64_t>(shown.first_s + 7)};
    for (std::int64_t t = shown.first_s; t < 5400; t += shown.every_s) {
        double value = 5.0;
        for (double const period_s : {840.0, 1980.0}) {
            double const w = 2.0 * std::numbers::pi * quicker / period_s;
            value +=
                height * std::real(shown.transfer(w) * std::exp(Complex{0.0, w * static_cast<double>(t)}));
        }
        value += shown.alone * std::sin(2.0 * std::numbers::pi * static_cast<double>(t) / 3000.0);
        value = shown.gain * value + shown.offset + shown.noise * random.normal();
        samples.push({1000 * t, static_cast<float>(value), 20.0F});
    }
    return samples;
}

std::optional<Behind> hour_of(Samples const& own, Samples const& other) {
    return behind(own, other, 1'200'000, 4'800'000, 60.0);
}

}  // namespace

TEST_CASE("the slower of two probes is behind by the difference of their lags", "[diagnosis][neighbour]") {
    auto const quick = readings({.transfer = first_order(18.0)});
    auto const slow =
        readings({.transfer = first_order(45.0), .gain = 0.93, .offset = 0.2, .every_s = 15, .first_s = 4});
    auto const seen = hour_of(slow, quick);
    REQUIRE(seen);
    CHECK(seen->error_s < 3.0);
    CHECK(seen->lag_s == Approx(27.0).margin(2.0 * seen->error_s + 0.05 * 27.0));
    auto const reversed = hour_of(quick, slow);
    REQUIRE(reversed);
    CHECK(reversed->lag_s == Approx(-seen->lag_s));
}

TEST_CASE("a probe that is too slow to follow its water is behind by no less for that",
          "[diagnosis][neighbour]") {
    double const tau_s = GENERATE(60.0, 120.0, 200.0);
    auto const seen = hour_of(readings({.transfer = first_order(tau_s)}, 1.0, 2.0),
                              readings({.transfer = first_order(15.0)}, 1.0, 2.0));
    CAPTURE(tau_s);
    REQUIRE(seen);
    CHECK(seen->lag_s == Approx(tau_s - 15.0).epsilon(0.1));
}

TEST_CASE("a lag is a mean lag, whatever the kind of response", "[diagnosis][neighbour]") {
    auto const seen =
        hour_of(readings({.transfer = membrane(91.0)}), readings({.transfer = first_order(20.0)}));
    REQUIRE(seen);
    double const lag_s = 91.0 / electrode::membrane_t90_over_mean;
    CHECK(seen->lag_s == Approx(lag_s - 20.0).margin(2.0 * seen->error_s + 0.05 * lag_s));
}

TEST_CASE("probes that are alike are not behind each other, polled at other instants or not",
          "[diagnosis][neighbour]") {
    auto const seen = hour_of(readings({.transfer = first_order(30.0), .every_s = 30, .first_s = 11}),
                              readings({.transfer = first_order(30.0), .every_s = 12}));
    REQUIRE(seen);
    CHECK(std::abs(seen->lag_s) < 3.0 * seen->error_s + 0.5);
}

TEST_CASE("water at rest, and water that one probe alone sees move, tell no lag", "[diagnosis][neighbour]") {
    CHECK_FALSE(hour_of(readings({.transfer = first_order(60.0)}, 0.01),
                        readings({.transfer = first_order(20.0)}, 0.01)));
    CHECK_FALSE(hour_of(readings({.transfer = first_order(60.0), .alone = 0.5}, 0.02),
                        readings({.transfer = first_order(20.0)}, 0.02)));
}

TEST_CASE("an output that rests on one of its steps tells no lag", "[diagnosis][neighbour]") {
    for (int i = 1; i <= 12; ++i) {
        auto const moving = readings({.transfer = first_order(18.0), .noise = 0.002}, 0.01 * i);
        Samples resting;
        for (std::size_t k = 0; k < moving.size(); ++k) {
            resting.push({moving[k].time_ms, 5.1F, 20.0F});
        }
        CHECK_FALSE(hour_of(moving, resting));
        CHECK_FALSE(hour_of(resting, moving));
    }
}

TEST_CASE("too short a piece tells no lag", "[diagnosis][neighbour]") {
    auto const own = readings({.transfer = first_order(60.0)}),
               other = readings({.transfer = first_order(20.0)});
    CHECK_FALSE(behind(own, other, 0, 1'000'000, 60.0));
    CHECK_FALSE(behind(own, other, 5'000'000, 20'000'000, 60.0));
    CHECK_FALSE(behind({}, other, 0, 3'600'000, 60.0));
}

TEST_CASE("a few hours tell the lag together, for a day and a half", "[diagnosis][neighbour]") {
    constexpr std::int64_t hour_ms = 3'600'000;
    NeighbourLag lag;
    for (int hour = 1; hour <= 3; ++hour) {
        lag.take(hour * hour_ms, {3.0, 0.02, 0.06});
    }
    CHECK_FALSE(lag.known(3 * hour_ms));
    lag.take(4 * hour_ms, {4.5, 0.02, 0.06});  // a bad one moves them little
    auto const known = lag.known(4 * hour_ms);
    REQUIRE(known);
    CHECK(known->ln_lag == Approx(3.0).margin(0.05));
    CHECK(known->error > 0.06);
    CHECK(known->error < 0.15);
    CHECK(lag.newest_ms() == 4 * hour_ms);
    CHECK(lag.known(36 * hour_ms));
    CHECK_FALSE(lag.known(38 * hour_ms));
    lag.forget();
    CHECK(lag.newest_ms() == 0);
}

namespace {

// Water that swings all day; the first probe has a cleaner, the second has nothing that tests it.
Bench pair_in_moving_water() {
    Bench bench{2};
    bench.rig.probe(1).blasted = false;
    bench.rig.blast_every_s = 4 * 3600;
    bench.rig.water = [](double hours) {
        return 5.0 + 1.5 * std::sin(2.0 * std::numbers::pi * hours / 0.6) +
               std::sin(2.0 * std::numbers::pi * hours / 1.7);
    };
    return bench;
}

}  // namespace

TEST_CASE("a neighbour that is tested tells the T90 of a probe that nothing tests",
          "[diagnosis][neighbour]") {
    auto bench = pair_in_moving_water();
    bench.rig.probe(1).t90_s = 55.0;
    bench.run(72.0);
    auto const tests = bench.heard.used(TestSource::neighbour, 1);
    CHECK(tests.size() > 20);
    auto const verdict = bench.site.verdict(1);
    REQUIRE(verdict.t90);
    CHECK(verdict.t90->low_s < 55.0);
    CHECK(verdict.t90->high_s > 55.0);
    CHECK(verdict.t90->value_s == Approx(55.0).epsilon(0.15));
    CHECK(verdict.condition == Condition::good);
    CHECK(verdict.next_evidence.empty());
}

TEST_CASE("a probe that slows beside a sound neighbour is named though nothing else tests it",
          "[diagnosis][neighbour]") {
    auto bench = pair_in_moving_water();
    bench.run(48.0);
    bench.rig.probe(1).t90_s = 130.0;
    bench.run(96.0);
    auto const finding = bench.find(Reason::slow_response, 1);
    REQUIRE(finding);
    CHECK(*finding->value == Approx(130.0).epsilon(0.2));
    CHECK_FALSE(bench.stands(Reason::slow_response, 0));
}

TEST_CASE("a quick neighbour whose membrane is loose still tells of a slower probe, a slow one does not",
          "[diagnosis][neighbour]") {
    bool const quick = GENERATE(true, false);
    CAPTURE(quick);
    auto bench = pair_in_moving_water();
    bench.rig.probe(0).t90_s = quick ? 30.0 : 110.0;
    bench.rig.probe(1).t90_s = 70.0;
    bench.run(72.0);
    double const calm = bench.site.verdict(1).t90->value_s;
    for (int hour = 0; hour < 96; ++hour) {
        bench.rig.probe(0).noise += 0.001;
        bench.run(1.0);
    }
    REQUIRE(bench.stands(Reason::fluctuation));
    auto const before = bench.heard.used(TestSource::neighbour, 1).size();
    bench.run(24.0);
    auto const more = bench.heard.used(TestSource::neighbour, 1).size() - before;
    CHECK((more > 10) == quick);
    if (quick) {
        CHECK(bench.site.verdict(1).t90->value_s == Approx(calm).epsilon(0.1));
    } else {
        CHECK(more == 0);
    }
}

TEST_CASE("of two probes that nothing tests, neither makes the other good", "[diagnosis][neighbour]") {
    auto bench = pair_in_moving_water();
    bench.rig.probe(0).blasted = false;
    bench.run(96.0);
    CHECK(bench.heard.used(TestSource::neighbour, 0).empty());
    CHECK(bench.heard.used(TestSource::neighbour, 1).empty());
    CHECK(bench.site.condition(1) == Condition::unknown);
}

TEST_CASE("a new membrane ends what a neighbour said of the old one", "[diagnosis][neighbour]") {
    auto bench = pair_in_moving_water();
    bench.run(48.0);
    REQUIRE(bench.site.verdict(1).t90);
    bench.did(Act::membrane_change, 1);
    bench.run(0.5);
    CHECK_FALSE(bench.site.verdict(1).t90);
}

TEST_CASE("a lag that neighbours tell, held against the tail of steps, tells the kind of response",
          "[diagnosis][neighbour]") {
    constexpr std::int64_t hour_ms = 3'600'000;
    Trend trend;
    ResponseFit fit;
    fit.tau_s = 20.0;
    fit.ln_error = 0.05;
    fit.onset_s = std::numeric_limits<double>::quiet_NaN();
    for (int i = 1; i <= 12; ++i) {
        trend.take(8 * i * hour_ms, TestSource::cleaning, 0.0, fit, 0.0);
        trend.settle(8 * i * hour_ms + 9 * hour_ms);
    }
    auto const now_ms = 110 * hour_ms;
    auto const alone = *trend.known(now_ms);
    double const tail_over_mean = electrode::membrane_t90_over_tail / electrode::membrane_t90_over_mean;
    trend.heard_lag(now_ms, {std::log(20.0 * tail_over_mean), 0.08});
    CHECK(trend.model() == ResponseModel::membrane);
    CHECK(std::exp(trend.known(now_ms)->ln_t90) ==
          Approx(20.0 * electrode::membrane_t90_over_tail).epsilon(0.06));
    CHECK(trend.known(now_ms)->error < alone.error);
    // What it tells others of itself is what it knew before.
    CHECK(trend.lag(now_ms)->error > 0.2);
    trend.heard_lag(now_ms, {std::log(20.0), 0.08});
    CHECK(trend.model() == ResponseModel::first_order);
    CHECK(std::exp(trend.known(now_ms)->ln_t90) == Approx(46.05).epsilon(0.06));
}

}  // namespace probekeeper::diagnosis::test

// How near the fits come to what no unbiased estimate can beat (Cramer-Rao), on ideal steps with seeded
// noise.
#include <array>
#include <catch2/catch.hpp>
#include <cmath>
#include <span>
#include <vector>

#include "electrode/first_order.h"
#include "electrode/membrane.h"
#include "estimate/fit.h"
#include "estimate/noise.h"

using namespace probekeeper;
using namespace probekeeper::estimate;

namespace {

// a + b (1 - exp(-t/tau)), in ln tau.
double first_order(double t, Vector<3> const& p, Vector<3>& gradient) {
    double const x = t / std::exp(p[2]);
    double const e = std::exp(-x);
    gradient = {1.0, 1.0 - e, -p[1] * x * e};
    return p[0] + p[1] * (1.0 - e);
}

// a + b times the membrane's curve, in the logarithm of b^2/D.
double membrane(double t, Vector<3> const& p, Vector<3>& gradient) {
    double const x = t / std::exp(p[2]);
    double const part = electrode::membrane_response(x);
    gradient = {1.0, part, -p[1] * x * electrode::membrane_response_slope(x)};
    return p[0] + p[1] * part;
}

struct Step {
    double sigma, dt;
    int points;
    double scale;  // tau, or b^2/D
};

// Least standard deviation of the third parameter, the other two unknown as well.
template <class Model>
double bound(Model const& model, Step const& step, Vector<3> const& truth) {
    Matrix<3> information{};
    for (int k = 0; k < step.points; ++k) {
        Vector<3> g{};
        model(k * step.dt, truth, g);
        for (std::size_t i = 0; i < 3; ++i) {
            for (std::size_t j = 0; j < 3; ++j) {
                information[i][j] += g[i] * g[j] / (step.sigma * step.sigma);
            }
        }
    }
    return std::sqrt(cholesky_inverse(cholesky(information).value())[2][2]);
}

struct Outcome {
    double rmse_over_bound, bias, claimed_over_bound;
};

template <class Model>
Outcome try_many(Model const& model, Step const& step, double height, std::uint64_t seed) {
    constexpr int trials = 2000;
    Vector<3> const truth{0.2, height, std::log(step.scale)};
    Noise noise{seed};
    double squares = 0.0, sum = 0.0, claimed = 0.0;
    std::vector<double> t, y;
    for (int trial = 0; trial < trials; ++trial) {
        t.clear();
        y.clear();
        for (int k = 0; k < step.points; ++k) {
            Vector<3> unused{};
            t.push_back(k * step.dt);
            y.push_back(model(t.back(), truth, unused) + step.sigma * noise.next());
        }
        // Started as one would without knowing the answer: first and last reading, and a third of the record.
        Vector<3> const start{y.front(), y.back() - y.front(), std::log(t.back() / 3.0)};
        auto const fit =
            least_squares<3>(model, std::span<double const>{t}, std::span<double const>{y}, start);
        REQUIRE(fit.converged);
        double const relative = std::expm1(fit.parameters[2] - truth[2]);
        squares += relative * relative;
        sum += relative;
        claimed += fit.standard_errors[2];
    }
    double const best = bound(model, step, truth);
    return {std::sqrt(squares / trials) / best, sum / trials, claimed / trials / best};
}

}  // namespace

TEST_CASE("fitted first-order response times come within 1.15 of the bound, unbiased to 1 %", "[bound]") {
    auto const step =
        GENERATE(Step{0.05, 1.0, 100, 20.0}, Step{0.05, 5.0, 40, 20.0}, Step{0.1, 1.0, 60, 30.0},
                 Step{0.02, 2.0, 90, 60.0}, Step{0.2, 2.0, 150, 40.0});
    auto const height = GENERATE(9.0, -9.0);
    std::uint64_t const seed = 20260301;
    CAPTURE(step.sigma, step.dt, step.points, step.scale, height, seed);
    auto const outcome = try_many(first_order, step, height, seed);
    CHECK(outcome.rmse_over_bound < 1.15);
    CHECK(outcome.rmse_over_bound > 0.9);  // better than the bound would be a mistake in one of the two
    CHECK(std::abs(outcome.bias) < 0.01);
    CHECK(outcome.claimed_over_bound == Approx(1.0).epsilon(0.05));
}

TEST_CASE("fitted membrane response times come within 1.15 of the bound, unbiased to 1 %", "[bound]") {
    auto const step =
        GENERATE(Step{0.05, 1.0, 100, 130.0}, Step{0.05, 5.0, 40, 130.0}, Step{0.2, 2.0, 150, 200.0});
    std::uint64_t const seed = 20260302;
    CAPTURE(step.sigma, step.dt, step.points, step.scale, seed);
    auto const outcome = try_many(membrane, step, -9.0, seed);
    CHECK(outcome.rmse_over_bound < 1.15);
    CHECK(outcome.rmse_over_bound > 0.9);
    CHECK(std::abs(outcome.bias) < 0.01);
    CHECK(outcome.claimed_over_bound == Approx(1.0).epsilon(0.05));
}

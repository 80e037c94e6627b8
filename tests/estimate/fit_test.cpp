#include "estimate/fit.h"

#include <array>
#include <catch2/catch.hpp>
#include <cmath>
#include <limits>
#include <span>
#include <vector>

using namespace probekeeper::estimate;

namespace {

using Values = std::vector<double>;

double line(double t, Vector<2> const& p, Vector<2>& gradient) {
    gradient = {1.0, t};
    return p[0] + p[1] * t;
}

double decay(double t, Vector<2> const& p, Vector<2>& gradient) {
    double const e = std::exp(-t / p[1]);
    gradient = {e, p[0] * e * t / (p[1] * p[1])};
    return p[0] * e;
}

template <std::size_t N, class Model>
FitResult<N> fit(Model const& model, Values const& t, Values const& y, Vector<N> start,
                 FitOptions<N> const& options = {}) {
    return least_squares<N>(model, std::span<double const>{t}, std::span<double const>{y}, start, options);
}

}  // namespace

TEST_CASE("a line is fitted as the textbook's formulas do") {
    // y on x of {1,2,3,4}: slope 4.5 / 5, intercept 2.75 - 0.9 * 2.5, rss 4.25 - 0.9 * 4.5, s^2 = rss / 2.
    auto const result = fit<2>(line, {1, 2, 3, 4}, {1.5, 2.0, 3.5, 4.0}, {0.0, 0.0});
    REQUIRE(result.converged);
    CHECK(result.parameters[0] == Approx(0.5));
    CHECK(result.parameters[1] == Approx(0.9));
    CHECK(result.rss == Approx(0.2));
    CHECK(result.sigma == Approx(std::sqrt(0.1)));
    CHECK(result.standard_errors[1] == Approx(std::sqrt(0.1 / 5.0)));
    CHECK(result.standard_errors[0] == Approx(std::sqrt(0.1 * 30.0 / 20.0)));
    CHECK(result.covariance[0][1] == Approx(-0.1 * 2.5 / 5.0));
    CHECK(result.covariance[0][1] == Approx(result.covariance[1][0]));
}

TEST_CASE("data without noise give the truth and no error to speak of") {
    Values t, y;
    for (int i = 0; i < 30; ++i) {
        t.push_back(i);
        y.push_back(7.0 * std::exp(-i / 8.0));
    }
    auto const result = fit<2>(decay, t, y, {1.0, 30.0});
    CHECK(result.converged);
    CHECK(result.parameters[0] == Approx(7.0).epsilon(1e-10));
    CHECK(result.parameters[1] == Approx(8.0).epsilon(1e-10));
    CHECK(result.standard_errors[1] < 1e-9);
}

TEST_CASE("a step to where the model is not finite is refused, and a shorter one finds the answer") {
    Values t, y;
    for (int i = 0; i < 30; ++i) {
        t.push_back(100.0 * i);
        y.push_back(7.0 * std::exp(-i / 8.0));
    }
    int refused = 0;
    auto const counted = [&](double x, Vector<2> const& p, Vector<2>& gradient) {
        double const value = decay(x, p, gradient);
        if (p[1] > 0.0) {
            return value;
        }
        ++refused;
        return x == 0.0 ? value : std::numeric_limits<double>::infinity();
    };
    auto const result = fit<2>(counted, t, y, {5.0, 2e4});
    REQUIRE(refused > 0);
    CHECK(result.converged);
    CHECK(result.parameters[1] == Approx(800.0).epsilon(1e-8));
}

TEST_CASE("a parameter stays within its bounds, and one that rests on a bound says so and claims no error") {
    FitOptions<2> options;
    options.upper[1] = 0.5;
    auto const result = fit<2>(line, {0, 1, 2, 3}, {0.0, 1.1, 1.9, 3.0}, {0.0, 9.0}, options);
    REQUIRE(result.converged);
    CHECK(result.parameters[1] == 0.5);
    CHECK(result.at_bound[1]);
    CHECK_FALSE(result.at_bound[0]);
    CHECK(result.parameters[0] == Approx(1.5 - 0.5 * 1.5));
    CHECK(std::isnan(result.standard_errors[1]));
    CHECK(result.standard_errors[0] == Approx(result.sigma / 2.0));
}

TEST_CASE("a bound touched on the way does not hold a parameter whose best value lies inside") {
    FitOptions<2> options;
    options.lower = {0.0, 1.0};
    options.upper = {100.0, 100.0};
    Values t, y;
    for (int i = 0; i < 30; ++i) {
        t.push_back(i);
        y.push_back(7.0 * std::exp(-i / 8.0));
    }
    auto const start = GENERATE(Vector<2>{0.0, 1.0}, Vector<2>{100.0, 1.0}, Vector<2>{100.0, 100.0},
                                Vector<2>{-5.0, 1000.0});
    CAPTURE(start);
    auto const result = fit<2>(decay, t, y, start, options);
    CHECK(result.converged);
    CHECK(result.parameters[1] == Approx(8.0).epsilon(1e-8));
    CHECK_FALSE(result.at_bound[0]);
    CHECK_FALSE(result.at_bound[1]);
}

TEST_CASE("a point of weight two counts as two points, and one of weight zero as none") {
    Values const weights{1.0, 2.0, 1.0, 1.0, 0.0};
    FitOptions<2> options;
    options.weights = weights;
    auto const weighted = fit<2>(line, {0, 1, 2, 3, 4}, {0.1, 1.0, 2.2, 2.9, 99.0}, {0.0, 0.0}, options);
    auto const repeated = fit<2>(line, {0, 1, 1, 2, 3}, {0.1, 1.0, 1.0, 2.2, 2.9}, {0.0, 0.0});
    CHECK(weighted.parameters[0] == Approx(repeated.parameters[0]));
    CHECK(weighted.parameters[1] == Approx(repeated.parameters[1]));
    CHECK(weighted.rss == Approx(repeated.rss));
    CHECK(weighted.standard_errors[1] == Approx(repeated.standard_errors[1]));
}

TEST_CASE("parameters that the data cannot tell apart give no errors and no convergence") {
    auto const twice = [](double t, Vector<2> const& p, Vector<2>& gradient) {
        gradient = {t, t};
        return (p[0] + p[1]) * t;
    };
    auto const result = fit<2>(twice, {0, 1, 2, 3}, {0.0, 1.1, 1.9, 3.0}, {0.0, 0.0});
    CHECK_FALSE(result.converged);
    CHECK(std::isnan(result.standard_errors[0]));
    CHECK(std::isfinite(result.parameters[0]));
}

TEST_CASE("too few points, no points or a model that is not finite come back as they went in") {
    double const not_a_number = std::numeric_limits<double>::quiet_NaN();
    auto const one = fit<2>(line, {1.0}, {2.0}, {0.5, 0.25});
    CHECK_FALSE(one.converged);
    CHECK(one.parameters == Vector<2>{0.5, 0.25});
    CHECK(std::isnan(one.sigma));
    CHECK_FALSE(fit<2>(line, {}, {}, {0.5, 0.25}).converged);
    auto const broken = fit<2>(line, {1, 2, 3}, {1.0, not_a_number, 3.0}, {0.5, 0.25});
    CHECK_FALSE(broken.converged);
    CHECK(broken.parameters == Vector<2>{0.5, 0.25});
    CHECK(std::isnan(broken.standard_errors[0]));
}

TEST_CASE("as many points as parameters are fitted exactly, with errors unknown") {
    auto const result = fit<2>(line, {1.0, 3.0}, {2.0, 8.0}, {0.0, 0.0});
    CHECK(result.converged);
    CHECK(result.parameters[0] == Approx(-1.0));
    CHECK(result.parameters[1] == Approx(3.0));
    CHECK(std::isnan(result.sigma));
    CHECK(std::isnan(result.standard_errors[0]));
}

TEST_CASE("a fit never runs longer than it may") {
    FitOptions<2> options;
    options.max_iterations = 3;
    auto const result = fit<2>(decay, {0, 1, 2, 3, 9}, {7.0, 6.1, 5.4, 4.8, 2.2}, {1.0, 300.0}, options);
    CHECK(result.iterations <= 3);
    CHECK_FALSE(result.converged);
}

TEST_CASE("the unit of time does not matter to a fit") {
    auto const fit_in_units_of = [](double unit) {
        Values t, y;
        for (int i = 0; i < 40; ++i) {
            t.push_back(unit * i);
            y.push_back(7.0 * std::exp(-i / 8.0) + 0.01 * (i % 3 - 1));
        }
        return fit<2>(decay, t, y, {5.0, 20.0 * unit});
    };
    auto const unit = GENERATE(1e-9, 1e9);
    auto const plain = fit_in_units_of(1.0);
    auto const scaled = fit_in_units_of(unit);
    REQUIRE(plain.converged);
    CHECK(scaled.converged);
    CHECK(scaled.parameters[1] / unit == Approx(plain.parameters[1]).epsilon(1e-9));
    CHECK(scaled.standard_errors[1] / unit == Approx(plain.standard_errors[1]).epsilon(1e-7));
    CHECK(scaled.iterations == plain.iterations);
}

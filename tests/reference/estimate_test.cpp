// lib/estimate against certified and published results. Sources stand in the files of data/ and beside the
// checks.
#include <array>
#include <catch2/catch.hpp>
#include <cmath>
#include <cstdint>
#include <span>
#include <vector>

#include "estimate/allan.h"
#include "estimate/fit.h"
#include "estimate/normal.h"
#include "estimate/robust.h"
#include "estimate/sequential.h"
#include "reference/table.h"

using namespace probekeeper::estimate;
using namespace probekeeper::reference;

namespace {

// NIST StRD: y = b1 (1 - exp(-b2 x)).
double saturating(double x, Vector<2> const& b, Vector<2>& gradient) {
    double const e = std::exp(-b[1] * x);
    gradient = {1.0 - e, b[0] * x * e};
    return b[0] * (1.0 - e);
}

struct Certified {
    char const* file;
    Vector<2> start, parameters, errors;
    double rss, sigma;
};

// NIST Statistical Reference Datasets, nonlinear regression.
Certified const certified[] = {
    {"nist-strd-misra1a.csv",
     {500.0, 0.0001},
     {2.3894212918e2, 5.5015643181e-4},
     {2.7070075241, 7.2668688436e-6},
     1.2455138894e-1,
     1.0187876330e-1},
    {"nist-strd-misra1a.csv",
     {250.0, 0.0005},
     {2.3894212918e2, 5.5015643181e-4},
     {2.7070075241, 7.2668688436e-6},
     1.2455138894e-1,
     1.0187876330e-1},
    {"nist-strd-boxbod.csv",
     {1.0, 1.0},
     {2.1380940889e2, 5.4723748542e-1},
     {1.2354515176e1, 1.0455993237e-1},
     1.1680088766e3,
     1.7088072423e1},
    {"nist-strd-boxbod.csv",
     {100.0, 0.75},
     {2.1380940889e2, 5.4723748542e-1},
     {1.2354515176e1, 1.0455993237e-1},
     1.1680088766e3,
     1.7088072423e1},
};

struct Series {
    std::vector<double> t, y;
};

// a + b (1 - exp(-t/tau)), with residuals so small that the curvature is that of the truth.
Series exact_rise(std::vector<double> const& row) {
    Series s;
    for (int i = 0; i < static_cast<int>(row[2]); ++i) {
        double const t = i * row[1];
        s.t.push_back(t);
        s.y.push_back(row[4] - row[5] * std::expm1(-t / row[3]) + (i % 2 == 0 ? 1e-8 : -1e-8));
    }
    return s;
}

double rise(double t, Vector<3> const& p, Vector<3>& gradient) {
    double const e = std::exp(-t / p[2]);
    gradient = {1.0, 1.0 - e, -p[1] * t / (p[2] * p[2]) * e};
    return p[0] + p[1] * (1.0 - e);
}

// The standard error of tau that the fit claims, brought to noise `sigma`, with parameters held as told.
double claimed_error(std::vector<double> const& row, bool a_known, bool b_known) {
    auto const data = exact_rise(row);
    Vector<3> const start{row[4], row[5], 1.02 * row[3]};
    FitOptions<3> options;
    if (a_known) {
        options.lower[0] = options.upper[0] = row[4];
    }
    if (b_known) {
        options.lower[1] = options.upper[1] = row[5];
    }
    auto const fit = least_squares<3>(rise, std::span<double const>{data.t}, std::span<double const>{data.y},
                                      start, options);
    REQUIRE(fit.converged);
    return fit.standard_errors[2] / fit.sigma * row[0];
}

std::vector<double> sp1065_series() {
    std::vector<double> values;
    std::int64_t n = 1234567890;
    for (int i = 0; i < 1000; ++i) {
        values.push_back(static_cast<double>(n) / 2147483647.0);
        n = 16807 * n % 2147483647;
    }
    return values;
}

}  // namespace

TEST_CASE("fits reach the values that NIST certifies, to 8 digits, from either start") {
    for (auto const& c : certified) {
        Series data;
        for (auto const& row : rows_of(c.file)) {
            data.y.push_back(row[0]);
            data.t.push_back(row[1]);
        }
        CAPTURE(c.file, c.start);
        auto const fit = least_squares<2>(saturating, std::span<double const>{data.t},
                                          std::span<double const>{data.y}, c.start);
        CHECK(fit.converged);
        for (std::size_t i = 0; i < 2; ++i) {
            CHECK(fit.parameters[i] == Approx(c.parameters[i]).epsilon(5e-9));
            CHECK(fit.standard_errors[i] == Approx(c.errors[i]).epsilon(5e-8));
        }
        CHECK(fit.rss == Approx(c.rss).epsilon(1e-10));
        CHECK(fit.sigma == Approx(c.sigma).epsilon(1e-10));
    }
}

TEST_CASE("the errors that a fit claims are the Cramer-Rao bound, whichever parameters are known") {
    for (auto const& row : rows_of("cramer-rao-tau.csv")) {
        CAPTURE(row[0], row[1], row[2], row[3]);
        CHECK(claimed_error(row, true, true) == Approx(row[6]).margin(1e-7).epsilon(0));
        CHECK(claimed_error(row, true, false) == Approx(row[7]).margin(1e-7).epsilon(0));
        CHECK(claimed_error(row, false, true) == Approx(row[8]).margin(1e-7).epsilon(0));
        CHECK(claimed_error(row, false, false) == Approx(row[9]).margin(1e-7).epsilon(0));
    }
}

TEST_CASE("the median absolute deviation finds the spread under one wild value") {
    // NIST/SEMATECH e-Handbook 1.3.5.17 (Iglewicz and Hoaglin) for the rule; example recomputed.
    std::array const values{2.1, 2.3, 1.9, 2.0, 2.2, 9.9, 2.1, 2.0};
    CHECK(median(values) == Approx(2.1));
    CHECK(mad_sigma(values) == Approx(0.148260).margin(5.1e-7).epsilon(0));
    CHECK(0.6745 * (9.9 - 2.1) / (mad_sigma(values) / mad_to_sigma) ==
          Approx(52.611).margin(5e-4).epsilon(0));
    CHECK(1.0 / normal_quantile(0.75) == Approx(mad_to_sigma).epsilon(1e-14));
}

TEST_CASE("Mann-Kendall and Theil-Sen give the published results") {
    // EPA QA/G-9S, p. 109, prints S = 22, variance 155.33, Z = 1.685. The others after Gilbert (1987),
    // ch. 16.
    struct Example {
        std::vector<double> values;
        double s, variance, z, slope;
    };
    std::vector<Example> const examples{
        {{10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15}, 22, 155.3333333, 1.684950, 1.0},
        {{10, 15, 14, 20}, 4, 8.6666667, 1.019049, 2.9166667},
        {{5, 6, 11, 8, 10}, 6, 16.6666667, 1.224745, 1.125},
        {{3.2, 3.5, 3.1, 3.9, 4.2, 4.0, 4.6, 4.9, 4.7, 5.3}, 37, 125, 3.219938, 0.2333333}};
    for (auto const& example : examples) {
        std::vector<double> t;
        for (std::size_t i = 0; i < example.values.size(); ++i) {
            t.push_back(static_cast<double>(i + 1));
        }
        auto const trend = mann_kendall(example.values);
        CHECK(trend.s == example.s);
        CHECK(trend.variance == Approx(example.variance).margin(1e-6).epsilon(0));
        CHECK(trend.z == Approx(example.z).margin(1e-6).epsilon(0));
        CHECK(theil_sen(t, example.values).slope == Approx(example.slope).margin(1e-6).epsilon(0));
    }
}

TEST_CASE("the interval of Sen's slope is Gilbert's, with interpolated ranks") {
    std::array const t{1., 2., 3., 4., 5., 6., 7., 8., 9., 10.};
    std::array const y{3.2, 3.5, 3.1, 3.9, 4.2, 4.0, 4.6, 4.9, 4.7, 5.3};
    auto const line = theil_sen(t, y, 0.95);
    CHECK(line.intercept == Approx(2.816667).margin(1e-6).epsilon(0));
    CHECK(line.slope_low == Approx(0.180163).margin(1e-6).epsilon(0));
    CHECK(line.slope_high == Approx(0.300000).margin(1e-6).epsilon(0));
    std::array const t11{1., 2., 3., 4., 5., 6., 7., 8., 9., 10., 11.};
    std::array const epa{10., 10., 10., 5., 10., 20., 18., 17., 15., 24., 15.};
    for (double const confidence : {0.90, 0.95}) {
        auto const tied = theil_sen(t11, epa, confidence);
        CHECK(tied.slope_low == Approx(0.0).margin(1e-9));
        CHECK(tied.slope_high == Approx(2.0).margin(1e-9));
    }
}

TEST_CASE("the CUSUM follows the handbook's table and signals first at its value 14") {
    Cusum chart{325.0, 0.3175, 4.1959};
    for (auto const& row : rows_of("nist-handbook-cusum.csv")) {
        CAPTURE(row[0]);
        bool const signal = chart.update(row[1]);
        CHECK(chart.high == Approx(row[2]).margin(1e-9).epsilon(0));
        CHECK(chart.low == Approx(row[3]).margin(1e-9).epsilon(0));
        CHECK(signal == (row[4] != 0.0));
        CHECK(signal == (row[0] >= 14.0));
    }
}

TEST_CASE("the EWMA follows the handbook's table and stays within its limits") {
    Ewma average{0.3, 50.0};
    double const limit = average.limit(2.0539, 3.0);
    CHECK(50.0 + limit == Approx(52.588432).margin(5.1e-7).epsilon(0));
    for (auto const& row : rows_of("nist-handbook-ewma.csv")) {
        CHECK(average.update(row[1]) == Approx(row[2]).margin(5.1e-7).epsilon(0));
        CHECK(std::abs(average.value - 50.0) < limit);
    }
}

TEST_CASE("the Allan deviation of the nine-point set is the published one") {
    // NBS Monograph 140; NIST SP 1065.
    std::array const values{892., 809., 823., 798., 671., 644., 883., 903., 677.};
    CHECK(overlapping_allan(values, 1).value() == Approx(91.22945).margin(5.1e-6).epsilon(0));
    CHECK(overlapping_allan(values, 2).value() == Approx(85.95287).margin(5.1e-6).epsilon(0));
    std::array const phase{0.0,      103.11111, 123.22222, 157.33333, 166.44444,
                           48.55556, -96.33333, -2.22222,  111.88889, 0.0};
    CHECK(overlapping_allan_of_phase(phase, 1.0, 1).value() == Approx(91.22945).epsilon(1e-6));
    CHECK(overlapping_allan_of_phase(phase, 1.0, 2).value() == Approx(85.95287).epsilon(1e-6));
}

TEST_CASE("the Allan deviation of the 1000-point set is the certified one") {
    // NIST SP 1065, test suite of 1000 points.
    auto const values = sp1065_series();
    REQUIRE(values[1] == 395529916.0 / 2147483647.0);
    CHECK(overlapping_allan(values, 1).value() == Approx(2.922319e-1).margin(5.1e-8).epsilon(0));
    CHECK(overlapping_allan(values, 10).value() == Approx(9.159953e-2).margin(5.1e-9).epsilon(0));
    CHECK(overlapping_allan(values, 100).value() == Approx(3.241343e-2).margin(5.1e-9).epsilon(0));
    std::vector<double> phase{0.0};
    for (double const v : values) {
        phase.push_back(phase.back() + 2.0 * v);
    }
    CHECK(overlapping_allan_of_phase(phase, 2.0, 10).value() ==
          Approx(9.159953e-2).margin(5.1e-9).epsilon(0));
}

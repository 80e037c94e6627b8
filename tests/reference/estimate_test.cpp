// lib/estimate against certified and published results. Sources stand in the files of data/ and beside the
// checks.
#include <array>
#include <catch2/catch.hpp>
#include <cmath>
#include <cstdint>
#include <span>
#include <vector>

#include "estimate/fit.h"
#include "estimate/normal.h"
#include "estimate/robust.h"
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

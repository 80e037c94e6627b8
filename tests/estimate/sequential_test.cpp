#include "estimate/sequential.h"

#include <catch2/catch.hpp>

#include "estimate/noise.h"

using namespace probekeeper::estimate;

namespace {

// Mean number of values until the signal, from many seeded runs.
double run_length(Cusum const& fresh, double shift, int runs) {
    Noise noise{17};
    long values = 0;
    for (int run = 0; run < runs; ++run) {
        auto chart = fresh;
        do {
            ++values;
        } while (!chart.update(shift + noise.next()));
    }
    return static_cast<double>(values) / runs;
}

}  // namespace

TEST_CASE("a CUSUM signals as late and as early as Lucas and Crosier (1982) print") {
    // Two-sided, k = 0.5, h = 4, by shift in standard deviations; the second with a head start of h/2.
    CHECK(run_length({0.0, 0.5, 4.0}, 0.0, 4000) == Approx(168.0).epsilon(0.05));
    CHECK(run_length({0.0, 0.5, 4.0}, 1.0, 20000) == Approx(8.38).epsilon(0.02));
    CHECK(run_length({0.0, 0.5, 4.0, 2.0, 2.0}, 1.0, 20000) == Approx(5.29).epsilon(0.02));
}

TEST_CASE("a CUSUM that has signalled is silent again after a reset") {
    Cusum chart;
    CHECK_FALSE(chart.update(4.5));
    CHECK(chart.update(4.5));
    CHECK(chart.signals());
    chart.reset();
    CHECK_FALSE(chart.signals());
    CHECK_FALSE(chart.update(0.0));
}

TEST_CASE("a CUSUM tells a fall as well as a rise") {
    Cusum chart;
    CHECK(chart.update(-5.0));
    CHECK(chart.low == 4.5);
    CHECK(chart.high == 0.0);
}

TEST_CASE("an EWMA of weight one is the newest value, and of less lies between") {
    Ewma newest{1.0, 5.0};
    CHECK(newest.update(9.0) == 9.0);
    Ewma slow{0.25, 5.0};
    CHECK(slow.update(9.0) == 6.0);
    CHECK(slow.value == 6.0);
    CHECK(slow.limit(2.0, 3.0) < newest.limit(2.0, 3.0));
    CHECK(newest.limit(2.0, 3.0) == 6.0);
}

#include "estimate/proportion.h"

#include <catch2/catch.hpp>

using namespace probekeeper::estimate;

// Published: the example output of `binom.jeffreys` in the manual of the R package RSurveillance 0.2.1 (an
// implementation that is not ours), 95 %.
TEST_CASE("the interval of a share is the published one", "[estimate][proportion]") {
    struct Row {
        int hits, trials;
        double low, high;
    };
    auto const row = GENERATE(values<Row>({{25, 200, 0.08462743, 0.176126},
                                           {10, 200, 0.02599340, 0.08687509},
                                           {40, 200, 0.14910087, 0.25950769},
                                           {80, 200, 0.33393964, 0.46893129}}));
    CAPTURE(row.hits);
    auto const interval = share_interval(row.hits, row.trials, 0.95);
    CHECK(interval.low == Approx(row.low).margin(5e-8));
    CHECK(interval.high == Approx(row.high).margin(5e-7));
}

TEST_CASE("the interval of a share reaches the end where nothing or everything hit",
          "[estimate][proportion]") {
    auto const none = share_interval(0, 12, 0.9);
    CHECK(none.low == 0.0);
    CHECK(none.high > 0.05);
    CHECK(none.high < 0.3);
    auto const all = share_interval(12, 12, 0.9);
    CHECK(all.high == 1.0);
    CHECK(all.low == Approx(1.0 - none.high));
    auto const unknown = share_interval(0, 0, 0.9);
    CHECK(unknown.low == 0.0);
    CHECK(unknown.high == 1.0);
}

#include "estimate/robust.h"

#include <algorithm>
#include <array>
#include <catch2/catch.hpp>
#include <cmath>
#include <vector>

#include "estimate/noise.h"

using namespace probekeeper::estimate;

namespace {

using Values = std::vector<double>;

}  // namespace

TEST_CASE("the median is the middle value, or the mean of the middle two") {
    CHECK(median(Values{3.0}) == 3.0);
    CHECK(median(Values{9.0, 1.0, 5.0}) == 5.0);
    CHECK(median(Values{9.0, 1.0, 5.0, 2.0}) == 3.5);
    CHECK(median(Values{1e308, 1e308}) == 1e308);
}

TEST_CASE("nothing is known of no values") {
    CHECK(std::isnan(median({})));
    CHECK(std::isnan(quantile({}, 0.5)));
    CHECK(std::isnan(mad_sigma({})));
}

TEST_CASE("the copying functions leave their values in order") {
    Values const before{9.0, 1.0, 5.0, 2.0};
    Values const values = before;
    CHECK(median(values) == 3.5);
    CHECK(quantile(values, 0.1) == Approx(1.3));
    CHECK(mad_sigma(values) > 0.0);
    CHECK(values == before);
}

TEST_CASE("quantiles interpolate between the order statistics as type 7 does") {
    Values const values{15.0, 20.0, 35.0, 40.0, 50.0};
    CHECK(quantile(values, 0.0) == 15.0);
    CHECK(quantile(values, 1.0) == 50.0);
    CHECK(quantile(values, 0.5) == 35.0);
    CHECK(quantile(values, 0.4) == Approx(29.0));   // rank 1.6: 20 + 0.6 * 15
    CHECK(quantile(values, 0.05) == Approx(16.0));  // rank 0.2: 15 + 0.2 * 5
    CHECK(quantile(values, -1.0) == 15.0);
    CHECK(quantile(values, 2.0) == 50.0);
}

TEST_CASE("quantiles agree with sorting, for any number of values") {
    Noise noise{7};
    for (std::size_t n = 1; n < 40; ++n) {
        Values values(n);
        std::generate(values.begin(), values.end(), [&] { return noise.next(); });
        auto sorted = values;
        std::sort(sorted.begin(), sorted.end());
        for (std::size_t i = 0; i < n; ++i) {
            double const part = n == 1 ? 0.5 : static_cast<double>(i) / static_cast<double>(n - 1);
            CAPTURE(n, i);
            CHECK(quantile(values, part) == Approx(sorted[i]).margin(1e-12));
        }
        CHECK(median(values) == Approx(quantile(values, 0.5)).margin(1e-15));
    }
}

TEST_CASE("the robust spread is that of the noise, wherever two in five values lie") {
    Noise noise{11};
    Values values(20'000);
    std::generate(values.begin(), values.end(), [&] { return 5.0 + 0.25 * noise.next(); });
    CHECK(mad_sigma(values) == Approx(0.25).epsilon(0.02));
    std::fill_n(values.begin(), 8'000, 1e6);
    CHECK(median(values) < 6.0);
    CHECK(mad_sigma(values) < 1.5);
}

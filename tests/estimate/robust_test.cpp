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
    CHECK(std::isnan(theil_sen({}, {}).slope));
    CHECK(std::isnan(theil_sen(Values{1.0}, Values{2.0}).slope));
    CHECK(std::isnan(theil_sen(Values{1.0, 1.0}, Values{2.0, 3.0}).slope_low));
    CHECK(mann_kendall({}).z == 0.0);
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

TEST_CASE("a quarter of wild points does not turn a Theil-Sen line") {
    Values t, y;
    for (int i = 0; i < 40; ++i) {
        t.push_back(i);
        y.push_back(i % 4 == 0 ? 500.0 : 3.0 + 0.5 * i);
    }
    auto const line = theil_sen(t, y);
    CHECK(line.slope == Approx(0.5).epsilon(0.1));
    CHECK(line.slope_low <= line.slope);
    CHECK(line.slope_high >= line.slope);
}

TEST_CASE("a Theil-Sen line does not ask for points in order or for different times") {
    auto const line = theil_sen(Values{3.0, 1.0, 2.0, 2.0}, Values{7.0, 3.0, 5.0, 5.0});
    CHECK(line.slope == Approx(2.0));
    CHECK(line.intercept == Approx(1.0));
}

TEST_CASE("the interval of a slope covers the truth as often as it says") {
    Noise noise{13};
    int covered = 0;
    int const trials = 1000;
    for (int trial = 0; trial < trials; ++trial) {
        Values t, y;
        for (int i = 0; i < 20; ++i) {
            t.push_back(i);
            y.push_back(0.3 * i + noise.next());
        }
        auto const line = theil_sen(t, y, 0.90);
        covered += line.slope_low <= 0.3 && 0.3 <= line.slope_high ? 1 : 0;
    }
    CHECK(covered > 870);
    CHECK(covered < 930);
}

TEST_CASE("values that are all the same have no trend") {
    auto const none = mann_kendall(Values{4.0, 4.0, 4.0, 4.0});
    CHECK(none.s == 0.0);
    CHECK(none.variance == 0.0);
    CHECK(none.z == 0.0);
}

TEST_CASE("a fall is a rise with the sign turned") {
    Values const rise{1.0, 3.0, 2.0, 5.0, 8.0};
    Values fall = rise;
    std::reverse(fall.begin(), fall.end());
    CHECK(mann_kendall(fall).z == -mann_kendall(rise).z);
    CHECK(mann_kendall(rise).z > 0.0);
}

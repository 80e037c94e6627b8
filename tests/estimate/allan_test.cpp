#include "estimate/allan.h"

#include <catch2/catch.hpp>
#include <cmath>
#include <vector>

#include "estimate/noise.h"

using namespace probekeeper::estimate;

namespace {

std::vector<double> differences_of(std::vector<double> const& values, std::size_t factor) {
    AverageDifferences averages{factor};
    std::vector<double> differences;
    for (double const v : values) {
        if (auto const d = averages.update(v)) {
            differences.push_back(*d);
        }
    }
    return differences;
}

std::vector<double> white_noise(std::size_t count, double sigma) {
    Noise noise{19};
    std::vector<double> values(count);
    for (auto& v : values) {
        v = 8.0 + sigma * noise.next();
    }
    return values;
}

}  // namespace

TEST_CASE("white noise averages away with the root of the time, by either measure") {
    auto const values = white_noise(40'000, 0.3);
    for (std::size_t const factor : {1U, 4U, 16U}) {
        double const expected = 0.3 / std::sqrt(static_cast<double>(factor));
        auto differences = differences_of(values, factor);
        CAPTURE(factor);
        CHECK(overlapping_allan(values, factor).value() == Approx(expected).epsilon(0.03));
        CHECK(robust_allan_inplace(differences) == Approx(expected).epsilon(0.05));
    }
}

TEST_CASE("a few spikes move the classical measure but not the robust one") {
    auto values = white_noise(4'000, 0.3);
    for (std::size_t i = 0; i < values.size(); i += 200) {
        values[i] = 20.0;
    }
    auto differences = differences_of(values, 1);
    CHECK(overlapping_allan(values, 1).value() > 2.0 * 0.3);
    CHECK(robust_allan_inplace(differences) == Approx(0.3).epsilon(0.1));
}

TEST_CASE("too short a record has no Allan deviation") {
    std::vector<double> const values{1.0, 2.0, 4.0};
    CHECK(overlapping_allan(values, 1).has_value());
    CHECK_FALSE(overlapping_allan(values, 2).has_value());
    CHECK_FALSE(overlapping_allan(values, 0).has_value());
    CHECK_FALSE(overlapping_allan({}, 1).has_value());
    CHECK(overlapping_allan_of_phase(values, 1.0, 1).has_value());
    CHECK_FALSE(overlapping_allan_of_phase(values, 1.0, 2).has_value());
    CHECK_FALSE(overlapping_allan_of_phase(values, 1.0, 0).has_value());
    CHECK(std::isnan(robust_allan_inplace({})));
}

TEST_CASE("averages are compared with the one just before, and never across a gap") {
    AverageDifferences averages{2};
    CHECK_FALSE(averages.update(1.0).has_value());
    CHECK_FALSE(averages.update(3.0).has_value());  // first average, 2: nothing to compare with
    CHECK_FALSE(averages.update(5.0).has_value());
    CHECK(averages.update(7.0).value() == 4.0);
    CHECK_FALSE(averages.update(100.0).has_value());
    averages.interrupt();
    CHECK_FALSE(averages.update(1.0).has_value());
    CHECK_FALSE(averages.update(1.0).has_value());
    CHECK_FALSE(averages.update(2.0).has_value());
    CHECK(averages.update(2.0).value() == 1.0);
}

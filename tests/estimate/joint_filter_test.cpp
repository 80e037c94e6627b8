#include "estimate/joint_filter.h"

#include <catch2/catch.hpp>
#include <utility>

using probekeeper::estimate::JointFilter;

namespace {

// Level and slope of a line, known of nothing but a vague beginning.
JointFilter<2> vague_line() {
    JointFilter<2> line;
    line.set(0, 0.0, 1e9);
    line.set(1, 0.0, 1e9);
    return line;
}

}  // namespace

TEST_CASE("two measurements of one quantity give their weighted mean") {
    JointFilter<1> filter;
    filter.set(0, 0.0, 1e9);
    filter.update(1.0 - filter.mean(0), {1.0}, 0.1);
    filter.update(2.0 - filter.mean(0), {1.0}, 0.3);
    CHECK(filter.mean(0) == Approx(1.25));
    CHECK(filter.variance(0) == Approx(0.075));
}

TEST_CASE("a level and a slope that do not wander are the regression line of the values") {
    // y = {1, 3, 4, 8} at {0, 1, 2, 4}, worked by hand: slope 15/8.75, level at 4: 4 + 2.25 * slope.
    auto line = vague_line();
    double last = 0.0;
    for (auto const& [t, y] :
         {std::pair{0.0, 1.0}, std::pair{1.0, 3.0}, std::pair{2.0, 4.0}, std::pair{4.0, 8.0}}) {
        line.add(0, t - last, 1);
        line.update(y - line.mean(0), {1.0, 0.0}, 1.0);
        last = t;
    }
    CHECK(line.mean(1) == Approx(15.0 / 8.75).epsilon(1e-5));
    CHECK(line.mean(0) == Approx(4.0 + 2.25 * 15.0 / 8.75).epsilon(1e-5));
    CHECK(line.variance(1) == Approx(1.0 / 8.75).epsilon(1e-5));
    CHECK(line.variance(0) == Approx(0.25 + 2.25 * 2.25 / 8.75).epsilon(1e-5));
    CHECK(line.covariance(0, 1) == Approx(2.25 / 8.75).epsilon(1e-5));
}

TEST_CASE("what two quantities share cancels in their difference") {
    JointFilter<2> filter;
    filter.set(0, 5.0, 0.04);
    filter.copy(0, 1);
    filter.loosen(0, 0.01);
    double const of_difference = filter.variance(0) + filter.variance(1) - 2.0 * filter.covariance(0, 1);
    CHECK(of_difference == Approx(0.01));
    // A measurement of the one tells the other, too.
    filter.update(1.0, {1.0, 0.0}, 0.05);
    CHECK(filter.mean(0) == Approx(5.5));
    CHECK(filter.mean(1) == Approx(5.4));
}

TEST_CASE("adding one quantity to another carries its uncertainty and their tie") {
    JointFilter<3> filter;
    filter.set(0, 1.0, 0.5);
    filter.set(1, 2.0, 0.25);
    filter.add(0, -1.0, 1);
    CHECK(filter.mean(0) == -1.0);
    CHECK(filter.variance(0) == Approx(0.75));
    CHECK(filter.covariance(0, 1) == Approx(-0.25));
    CHECK(filter.covariance(1, 0) == Approx(-0.25));
    CHECK(filter.variance(1) == Approx(0.25));
}

TEST_CASE("a measurement far out hardly counts, and the less the further; one off by little counts whole") {
    auto const moved_by = [](double surprise) {
        JointFilter<1> filter;
        filter.set(0, 0.0, 0.01);
        double const weight = filter.update(surprise, {1.0}, 0.01, 2.5);
        return std::pair{filter.mean(0), weight};
    };
    CHECK(moved_by(0.15).second == 1.0);
    CHECK(moved_by(0.15).first == Approx(0.075));
    CHECK(moved_by(5.0).second < 0.01);
    CHECK(moved_by(5.0).first < 0.02);
    CHECK(moved_by(50.0).first < moved_by(5.0).first);
    CHECK(moved_by(50.0).first > 0.0);
}

TEST_CASE("what is only considered widens the rest and is not taught") {
    JointFilter<2> filter;
    filter.set(0, 0.0, 1.0);
    filter.set(1, 0.0, 0.5);
    filter.update(3.0, {1.0, 1.0}, 0.5, 1e9, 0b10);
    CHECK(filter.mean(0) == Approx(1.5));
    CHECK(filter.mean(1) == 0.0);
    CHECK(filter.variance(1) == 0.5);
    CHECK(filter.variance(0) == Approx(0.5));
    CHECK(filter.covariance(0, 1) == Approx(-0.25));
    // However often it is repeated, no better than one perfect measurement of the sum would allow: 1 * 0.5
    // / 1.5.
    for (int i = 0; i < 1000; ++i) {
        filter.update(3.0 - filter.mean(0), {1.0, 1.0}, 0.5, 1e9, 0b10);
    }
    CHECK(filter.variance(0) > 1.0 / 3.0);
    CHECK(filter.variance(1) == 0.5);
}

// What blasts tell of the reading in air.
#include "diagnosis/air_level.h"

#include <catch2/catch.hpp>
#include <cmath>

#include "diagnosis/span.h"

namespace probekeeper::diagnosis::test {
namespace {

constexpr double saturation = 9.0, base = 3.0;

// A blast of so many seconds that no bit declares, each of them `number` hours after the first.
AirStep found_blast(int number, double length_s) {
    AirStep step;
    step.source = TestSource::air_exposure;
    step.end_ms = 3'600'000LL * (number + 1);
    step.begin_ms = step.end_ms - static_cast<std::int64_t>(1000.0 * length_s);
    step.saturation = saturation;
    step.base = base;
    return step;
}

ResponseFit fit_of(double area) {
    ResponseFit fit;
    fit.tau_s = 20.0;
    fit.step = 3.0;
    fit.held = 2.0;
    fit.area = area;
    fit.area_error = 0.01 * area;
    fit.below_step = base;
    return fit;
}

// What is read of it every five seconds: the output stands still where it freezes, and leaps to seven tenths
// of its height after it, as a slow membrane is still on its way up then.
Samples readings_of(AirStep const& step, bool freezes) {
    Samples samples;
    double const length_s = s_between(step.begin_ms, step.end_ms), thaws_s = length_s - 5.0;
    for (double t = 0.0; t <= length_s + 60.0; t += 5.0) {
        double const part = t <= length_s ? t / length_s : std::exp((length_s - t) / 20.0);
        double const shown = !freezes || t > thaws_s ? part : t == thaws_s ? 0.7 : 0.0;
        samples.push({step.begin_ms + as_ms(t), static_cast<float>(base + 3.0 * shown), 20.0F});
    }
    return samples;
}

}  // namespace

TEST_CASE("blasts that still teach their length tell no level in air", "[diagnosis][air_level]") {
    BlastLength lengths;
    for (int i = 0; i < 11; ++i) {
        auto const step = found_blast(i, 30.0);
        lengths.take(step);
        CHECK(std::isnan(lengths.of(step, fit_of(180.0), 40.0).s));
    }
    auto const step = found_blast(11, 30.0);
    lengths.take(step);
    CHECK(lengths.of(step, fit_of(180.0), 40.0).s == Approx(30.0));
}

TEST_CASE("many blasts that do not keep step with the polls tell their length better than one",
          "[diagnosis][air_level]") {
    bool const in_step = GENERATE(true, false);
    CAPTURE(in_step);
    BlastLength lengths;
    auto const told = [&](int number) {
        auto step = found_blast(number, 60.0);
        step.declared = true;
        step.source = TestSource::cleaning;
        auto const late_ms = in_step ? 0 : 40'000LL * (number % 3);
        step.end_ms += late_ms;
        step.begin_ms += late_ms;
        step.first_ms = step.begin_ms + 10'000;
        lengths.take(step);
        return lengths.of(step, fit_of(360.0), 40.0).error;
    };
    constexpr int few = 4, many = 40;
    double of_few = 0.0, of_many = 0.0;
    for (int i = 0; i < many; ++i) {
        of_many = told(i);
        of_few = i + 1 == few ? of_many : of_few;
    }
    CHECK((of_many < 0.5 * of_few) == !in_step);
}

TEST_CASE("blasts that are counted a poll longer now and then tell a length between",
          "[diagnosis][air_level]") {
    constexpr double poll_s = 20.0;
    double const polls = GENERATE(2.75, 3.25);
    CAPTURE(polls);
    BlastLength lengths;
    double told_s = 0.0;
    for (int i = 0; i < 40; ++i) {
        bool const more = i % 4 >= std::lround(4.0 * (std::ceil(polls) - polls));
        auto step = found_blast(i, poll_s * (std::floor(polls) + (more ? 1.0 : 0.0)));
        step.declared = true;
        step.source = TestSource::cleaning;
        step.first_ms = step.begin_ms + as_ms(0.5 * poll_s);
        step.begin_ms -= as_ms(0.5 * poll_s);
        lengths.take(step);
        told_s = lengths.of(step, fit_of(180.0), 40.0).s;
    }
    CHECK(lengths.told());
    CHECK(told_s == Approx(polls * poll_s).margin(0.05 * poll_s));
}

// Read every 15 s, a blast of 39 s is counted 30 or 45 s long, and for days as the timer and the polls stand
// to each other.
TEST_CASE("a length that comes out later is no drift of what blasts read in air",
          "[diagnosis][air_level][span]") {
    constexpr double poll_s = 15.0, blast_s = 39.0;
    AirLevels levels;
    SpanWatch span;
    double first = 0.0, newest = 0.0;
    for (int i = 0; i < 80; ++i) {
        bool const more = i < 20 || i % 2 == 0;
        auto step = found_blast(6 * i, (more ? 3.0 : 2.0) * poll_s);
        step.declared = true;
        step.source = TestSource::cleaning;
        step.first_ms = step.begin_ms + as_ms(0.5 * poll_s);
        step.begin_ms -= as_ms(0.5 * poll_s);
        step.end_ms += as_ms(poll_s * (i % 3));
        step.first_ms += as_ms(poll_s * (i % 3));
        step.begin_ms += as_ms(poll_s * (i % 3));
        auto const air =
            levels.take(step, fit_of((saturation - base) * blast_s), readings_of(step, false), {}, false);
        if (!std::isnan(air.percent)) {
            first = first == 0.0 ? air.percent : first;
            newest = air.percent;
            span.exposure(step.end_ms, air);
        }
    }
    REQUIRE(newest > first + 5.0);
    auto const known = span.known(0.0);
    REQUIRE(known);
    CHECK(known->percent == Approx(100.0).margin(1.5));
    CHECK(known->ahead_percent == Approx(100.0).margin(2.0));
}

TEST_CASE("what a slow membrane climbs after the blast is no sign of an output that does not freeze",
          "[diagnosis][air_level]") {
    bool const freezes = GENERATE(true, false);
    CAPTURE(freezes);
    AirLevels levels;
    int told = 0;
    for (int i = 0; i < 40; ++i) {
        auto const step = found_blast(i, 30.0);
        auto const air = levels.take(step, fit_of(180.0), readings_of(step, freezes), {}, false);
        told += std::isnan(air.percent) ? 0 : 1;
    }
    CHECK((told > 0) == !freezes);
}

}  // namespace probekeeper::diagnosis::test

// Which blasts should have shown, and which did not reach the membrane.
#include "diagnosis/blast_reach.h"

#include <catch2/catch.hpp>

#include <cmath>

namespace probekeeper::diagnosis::test {
namespace {

constexpr double saturation = 10.0, length_s = 60.0;

// After many blasts that drove the reading out of well aerated water to air.
BlastReach taught(ProbeKnown const& known) {
    BlastReach reach;
    for (int i = 0; i < 20; ++i) {
        (void)reach.take({8.0, 1.8, saturation, length_s}, known);
    }
    return reach;
}

}  // namespace

TEST_CASE("a blast is missed where it should surely have shown, and did not", "[diagnosis][blast_reach]") {
    ProbeKnown const known;
    auto reach = taught(known);
    auto const seen = reach.take({8.0, 0.05, saturation, length_s}, known);
    CHECK(seen.expected);
    CHECK_FALSE(seen.shown);
}

TEST_CASE("so near to air that weather may have taken the way nothing is expected of a blast",
          "[diagnosis][blast_reach]") {
    ProbeKnown const known;
    auto reach = taught(known);
    double const base = GENERATE(9.55, 10.45);
    CAPTURE(base);
    CHECK_FALSE(reach.take({base, 0.15, saturation, length_s}, known).expected);
}

TEST_CASE("a probe that reads more than any water holds need not read air right",
          "[diagnosis][blast_reach]") {
    ProbeKnown const known;
    auto reach = taught(known);
    CHECK(reach.take({15.0, 0.1, saturation, length_s}, known).expected);
    CHECK_FALSE(reach.take({18.0, 0.1, saturation, length_s}, known).expected);
}

TEST_CASE("where no saturation is known, what blasts did in such water tells which are missed",
          "[diagnosis][blast_reach]") {
    ProbeKnown known;
    known.saturation_known = false;
    double const air = GENERATE(9.0, 11.0);  // what nobody knows
    CAPTURE(air);
    BlastReach reach;
    for (int i = 0; i < 20; ++i) {
        double const base = 8.0 + 2.0 * std::sin(i);
        double const step = 0.8 * (air - base);
        (void)reach.take({base, step, saturation, length_s}, known);
    }
    auto const missed = [&](double base) {
        auto probe = reach;
        auto const seen = probe.take({base, 0.02, saturation, length_s}, known);
        return seen.expected && !seen.shown;
    };
    CHECK(missed(air - 2.5));
    CHECK(missed(air + 2.5));
    CHECK_FALSE(missed(air));
    CHECK_FALSE(missed(air - 0.5));
}

}  // namespace probekeeper::diagnosis::test

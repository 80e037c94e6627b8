// A probe held against its neighbours: who agreed with them before its membrane was changed shall agree after
// it.
#include <catch2/catch.hpp>

#include "diagnosis/bench.h"

namespace probekeeper::diagnosis::test {
namespace {

// No blast and no air tells what it reads there.
Bench two_in_a_pond() {
    Bench bench{2};
    bench.rig.water = [](double h) { return 7.0 + 2.0 * std::sin(h * 2.0 * std::numbers::pi / 24.0); };
    for (std::size_t place = 0; place < 2; ++place) {
        bench.rig.probe(place).blasted = false;
        bench.rig.probe(place).percent = false;
    }
    return bench;
}

}  // namespace

TEST_CASE("a new membrane that was left reading otherwise than the neighbour has not settled",
          "[diagnosis][apart]") {
    double const left_at = GENERATE(0.78, 0.97, 1.25);
    CAPTURE(left_at);
    auto bench = two_in_a_pond();
    bench.run(72.0);
    bench.did(Act::membrane_change, 0);
    bench.did(Act::air_calibration, 0);
    bench.rig.probe(0).gain = left_at;
    bench.run(48.0);
    bool const wrong = std::abs(left_at - 1.0) > 0.1;
    auto const finding = bench.find(Reason::not_settled, 0);
    REQUIRE(finding.has_value() == wrong);
    if (finding) {
        CHECK_THAT(finding->text, Catch::Contains("of what is read beside it"));
        CHECK(*finding->value == Approx(100.0 * left_at).margin(3.0));
    }
    CHECK_FALSE(bench.heard.ever(Reason::not_settled, 1));
    bench.did(Act::membrane_change, 0);
    bench.rig.probe(0).gain = 1.0;
    bench.run(48.0);
    CHECK_FALSE(bench.stands(Reason::not_settled, 0));
}

TEST_CASE("places that sun and load move apart for hours tell less", "[diagnosis][apart]") {
    auto bench = two_in_a_pond();
    bench.run(72.0);
    bench.did(Act::membrane_change, 0);
    for (int half = 0; half < 6; ++half) {
        bench.rig.probe(0).gain = half % 2 == 0 ? 1.4 : 0.9;  // the one place is nearer to the light
        bench.run(12.0);
    }
    CHECK_FALSE(bench.heard.ever(Reason::not_settled, 0));
}

TEST_CASE("a membrane that was changed because it read wrong may read otherwise after it",
          "[diagnosis][apart]") {
    auto bench = two_in_a_pond();
    bench.rig.probe(0).gain = 0.8;
    bench.run(72.0);
    bench.did(Act::membrane_change, 0);
    bench.rig.probe(0).gain = 1.0;
    bench.run(72.0);
    CHECK_FALSE(bench.heard.ever(Reason::not_settled, 0));
    CHECK_FALSE(bench.heard.ever(Reason::not_settled, 1));
}

TEST_CASE("a neighbour that is set anew, or drifts away later, says nothing of the last service",
          "[diagnosis][apart]") {
    bool const set_anew = GENERATE(true, false);
    CAPTURE(set_anew);
    auto bench = two_in_a_pond();
    bench.run(72.0);
    bench.did(Act::membrane_change, 0);
    if (set_anew) {
        bench.run(6.0);
        bench.did(Act::air_calibration, 1);
        bench.rig.probe(1).gain = 1.25;
    }
    for (int day = 0; day < 12; ++day) {
        bench.rig.probe(1).gain += set_anew ? 0.0 : 0.02;
        bench.run(24.0);
    }
    CHECK_FALSE(bench.heard.ever(Reason::not_settled, 0));
}

}  // namespace probekeeper::diagnosis::test

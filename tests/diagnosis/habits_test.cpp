// What is learned of a device, on readings whose habits are known because the test gave them.
#include <catch2/catch.hpp>

#include "diagnosis/bench.h"

namespace probekeeper::diagnosis::test {
namespace {

// Three days of the bench, each reading changed by `device` before it is taken.
Suitability learned(std::function<void(Reading&)> const& device,
                    std::function<void(Rig&)> const& prepare = {}) {
    Bench bench;
    bench.rig.water = [](double h) { return 5.0 + 0.3 * std::sin(h / 3.0); };
    if (prepare) {
        prepare(bench.rig);
    }
    bench.rig.run(72.0, [&](std::size_t place, Reading reading) {
        device(reading);
        bench.site.take(place, reading, bench.heard);
    });
    bench.site.advance(bench.rig.now(), bench.heard);
    return bench.site.verdict(0).suitability;
}

bool possible(Suitability const& s, Reason reason) {
    auto const found =
        std::find_if(s.reasons.begin(), s.reasons.end(), [&](auto const& r) { return r.reason == reason; });
    REQUIRE(found != s.reasons.end());
    return found->why_not.empty();
}

void as_is(Reading&) {}

}  // namespace

TEST_CASE("a device that does all it should is found so", "[diagnosis][habits]") {
    auto const s = learned(as_is);
    REQUIRE(s.reading_interval_s);
    CHECK(*s.reading_interval_s == Approx(10.0));
    REQUIRE(s.update_interval_s);
    CHECK(*s.update_interval_s == Approx(10.0).epsilon(0.1));
    CHECK(s.frozen_while_cleaning == std::optional{false});
    CHECK_FALSE(s.clips_at_mg_l);
    CHECK_FALSE(s.clips_at_zero);  // it has never come near to zero
    CHECK_FALSE(s.damping_s);
    CHECK(s.cleaning == BitHabit::moves);
    CHECK(s.aeration == BitHabit::not_read);
    CHECK(possible(s, Reason::slow_response));
    CHECK_FALSE(possible(s, Reason::background));
}

TEST_CASE("a device that renews its value at every third poll only", "[diagnosis][habits]") {
    int polls = 0;
    double held = 0.0;
    auto const s = learned([&](Reading& r) {
        held = polls++ % 3 == 0 ? r.do_mg_l : held;
        r.do_mg_l = held;
        r.do_percent = 100.0 * held / saturation_20;
    });
    REQUIRE(s.update_interval_s);
    CHECK(*s.update_interval_s == Approx(30.0).epsilon(0.15));
}

TEST_CASE("an output that freezes while it cleans is told, and is not taken for stuck",
          "[diagnosis][habits]") {
    double held = 0.0;
    Bench bench;
    bench.rig.blast_s = 300;
    bench.rig.run(96.0, [&](std::size_t place, Reading r) {
        held = r.has(mark_cleaning) ? held : r.do_mg_l;
        r.do_mg_l = held;
        r.do_percent = 100.0 * held / saturation_20;
        bench.site.take(place, r, bench.heard);
    });
    bench.site.advance(bench.rig.now(), bench.heard);
    CHECK(bench.site.verdict(0).suitability.frozen_while_cleaning == std::optional{true});
    CHECK_FALSE(bench.heard.ever(Reason::stuck));
    CHECK_FALSE(bench.heard.ever(Reason::no_signal));
}

TEST_CASE("polls as long as a blast tell, too, that the output goes on while it cleans",
          "[diagnosis][habits]") {
    bool const freezes = GENERATE(false, true);
    CAPTURE(freezes);
    Bench bench{site_of(1, 60.0)};
    bench.rig.water = [](double h) { return 7.0 + 0.5 * std::sin(h / 3.0); };
    bench.rig.blast_s = 70;
    bench.rig.probe(0).freezes = freezes;
    bench.run(96.0);
    // One that holds its value shows no two readings within a blast by which it could be known.
    auto const told = bench.site.verdict(0).suitability.frozen_while_cleaning;
    CHECK(told == (freezes ? std::nullopt : std::optional{false}));
}

TEST_CASE("a device that shows nothing below zero, and one that does", "[diagnosis][habits]") {
    bool const clips = GENERATE(true, false);
    CAPTURE(clips);
    auto const s = learned(
        [&](Reading& r) {
            r.do_mg_l = clips ? std::max(0.0, r.do_mg_l) : r.do_mg_l;
            r.do_percent = 100.0 * r.do_mg_l / saturation_20;
        },
        [](Rig& rig) { rig.water = [](double h) { return std::max(0.0, 3.0 * std::sin(h)); }; });
    CHECK(s.clips_at_zero == std::optional{clips});
}

TEST_CASE("the end of a range is told by how often it is read", "[diagnosis][habits]") {
    auto const s = learned([](Reading& r) {
        r.do_mg_l = std::min(r.do_mg_l, 7.0);  // blasts of air would reach 8
        r.do_percent = 100.0 * r.do_mg_l / saturation_20;
    });
    REQUIRE(s.clips_at_mg_l);
    CHECK(*s.clips_at_mg_l == Approx(7.0));
}

TEST_CASE("a peak of the water that is read in steps is no end of a range", "[diagnosis][habits]") {
    double const amplitude = GENERATE(0.26, 0.31, 0.34);
    CAPTURE(amplitude);
    auto const s = learned(
        [](Reading& r) {
            r.do_mg_l = 0.1 * std::round(10.0 * r.do_mg_l);
            r.do_percent = 100.0 * r.do_mg_l / saturation_20;
        },
        [&](Rig& rig) {
            rig.probe(0).blasted = false;
            rig.water = [=](double h) { return 5.0 + amplitude * std::sin(h / 3.0); };
        });
    CHECK_FALSE(s.clips_at_mg_l);
}

TEST_CASE("an output filter is told by how its noise hangs together", "[diagnosis][habits]") {
    double filtered = 5.0;
    auto const s = learned(
        [&](Reading& r) {
            filtered += (1.0 - std::exp(-10.0 / 20.0)) * (r.do_mg_l - filtered);  // 20 s
            r.do_mg_l = filtered;
            r.do_percent = 100.0 * filtered / saturation_20;
        },
        [](Rig& rig) { rig.probe(0).noise = 0.05; });
    REQUIRE(s.damping_s);
    CHECK(*s.damping_s == Approx(20.0).epsilon(0.2));
}

}  // namespace probekeeper::diagnosis::test

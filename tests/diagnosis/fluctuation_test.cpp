// The movement that a probe adds to its reading, told from that of the water.
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>

#include "diagnosis/bench.h"

namespace probekeeper::diagnosis::test {
namespace {

// A loose membrane does not come in an hour: the noise of probe 0 grows by a third each day.
void grow_noise(Bench& bench, int days, std::size_t first, std::size_t last) {
    for (int day = 0; day < days; ++day) {
        for (std::size_t i = first; i <= last; ++i) {
            bench.rig.probe(i).noise *= 1.33;
        }
        bench.run(24.0);
    }
}

}  // namespace

TEST_CASE("a probe that begins to move as its neighbour does not is named", "[diagnosis][fluctuation]") {
    Bench bench{2};
    bench.did(Act::membrane_change, 0);
    bench.did(Act::membrane_change, 1);
    bench.run(96.0);
    CHECK(*bench.site.verdict(0).fluctuation->ratio == Approx(1.0).margin(0.4));
    grow_noise(bench, 8, 0, 0);
    auto const finding = bench.find(Reason::fluctuation);
    REQUIRE(finding);
    CHECK(*finding->value > *finding->limit);
    CHECK(finding->unit == "mg/L");
    CHECK(bench.site.condition(0) == Condition::maintenance_required);
    auto const d = bench.site.verdict(0);
    REQUIRE(d.fluctuation);
    CHECK(*d.fluctuation->ratio > 4.0);
    CHECK(*d.fluctuation->shared_with_neighbours < 0.3);
    CHECK_FALSE(bench.heard.ever(Reason::fluctuation, 1));
}

TEST_CASE("movement that all probes of a water share is the water's", "[diagnosis][fluctuation]") {
    Bench bench{3};
    bench.run(96.0);
    grow_noise(bench, 8, 0, 2);
    for (std::size_t place = 0; place < 3; ++place) {
        CAPTURE(place);
        CHECK_FALSE(bench.heard.ever(Reason::fluctuation, place));
        CHECK_FALSE(bench.heard.ever(Reason::membrane_damage, place));
        CHECK(*bench.site.verdict(place).fluctuation->shared_with_neighbours > 0.7);
    }
}

TEST_CASE("two membranes in one water that come loose together do not excuse each other",
          "[diagnosis][fluctuation]") {
    Bench bench{2};
    bench.run(96.0);
    grow_noise(bench, 8, 0, 1);
    CHECK(bench.stands(Reason::fluctuation, 0));
    CHECK(bench.stands(Reason::fluctuation, 1));
}

TEST_CASE("what flutters is held against the level that it flutters at", "[diagnosis][fluctuation]") {
    bool const lower = GENERATE(true, false);  // the air reaches half of the height that it did
    CAPTURE(lower);
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.rig.water = [lower](double h) {
        return 6.0 - (lower ? 3.0 * std::clamp((h - 96.0) / 24.0, 0.0, 1.0) : 0.0);
    };
    bench.run(96.0);
    for (int day = 0; day < 5; ++day) {
        bench.rig.probe(0).noise *= 1.16;  // in all by twice
        bench.run(24.0);
    }
    bench.run(24.0);
    CHECK(bench.heard.ever(Reason::fluctuation) == lower);
}

TEST_CASE("a membrane on its way to come loose that leaps with the level is not pierced",
          "[diagnosis][fluctuation]") {
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.rig.water = [](double h) { return h < 168.0 ? 3.0 : 6.0; };
    bench.run(96.0);
    grow_noise(bench, 3, 0, 0);
    CHECK_FALSE(bench.heard.ever(Reason::fluctuation));
    bench.rig.probe(0).noise *= 2.8;
    bench.run(36.0);
    CHECK_FALSE(bench.heard.ever(Reason::membrane_damage));
    CHECK(bench.stands(Reason::fluctuation));
}

TEST_CASE("what a fresh membrane moves is learned after a membrane change, and only then",
          "[diagnosis][fluctuation]") {
    bool const changed = GENERATE(true, false);
    CAPTURE(changed);
    physics::Random random{1};
    FluctuationWatch watch;
    std::int64_t at_ms = to_unix_ms(day_one);
    if (changed) {
        watch.new_life(at_ms, /*fresh=*/true);
    }
    for (int i = 0; i < 4 * 8640; ++i) {
        at_ms += 10'000;
        View view;
        view.time_ms = at_ms;
        view.value = 6.0 + 0.02 * random.normal();
        watch.take(view, /*disturbed=*/false);
        watch.close_hour(at_ms, 0.001, 10.0);
    }
    CHECK(watch.fresh_learned() == changed);
    REQUIRE(watch.today());
    CHECK(*watch.today() < 0.03);
    CHECK(*watch.today() > 0.005);
}

TEST_CASE("a new membrane that moves many times as much as the one before is not taken as fresh",
          "[diagnosis][fluctuation]") {
    Bench bench;
    bench.run(60.0);
    bench.did(Act::membrane_change);
    double const times = GENERATE(1.5, 20.0);
    bench.rig.probe(0).noise *= times;
    bench.run(72.0);
    auto const finding = bench.find(Reason::fluctuation);
    REQUIRE(finding.has_value() == (times > 10.0));
    if (finding) {
        CHECK_THAT(finding->text, Catch::Contains("times as much as with the membrane before"));
    }
}

TEST_CASE("a membrane that is pierced is damage at once, not wear", "[diagnosis][fluctuation]") {
    Bench bench{2};
    bench.run(72.0);
    bench.rig.probe(0).noise = 0.3;
    bench.run(24.0);
    CHECK(bench.stands(Reason::membrane_damage));
    CHECK_FALSE(bench.heard.ever(Reason::membrane_damage, 1));
    CHECK(bench.site.condition(0) == Condition::failure);
}

TEST_CASE("a pierced membrane is to be serviced, and not to be tested first", "[diagnosis][fluctuation]") {
    Bench bench{2};
    bench.rig.probe(0).blasted = false;
    bench.run(72.0);
    bench.rig.probe(0).noise = 0.3;
    bench.run(24.0 * 32.0);
    CHECK(bench.stands(Reason::membrane_damage));
    CHECK_FALSE(bench.heard.ever(Reason::verification_due));
}

TEST_CASE("a lone probe has a hole where it moves as no water could", "[diagnosis][fluctuation]") {
    // The middle one by half as much, but all of it too quick for water.
    auto const [noise, hole] = GENERATE(std::pair{0.04, false}, std::pair{0.08, true}, std::pair{0.15, true});
    CAPTURE(noise);
    Bench bench;
    bench.run(72.0);
    bench.rig.probe(0).noise = noise;
    bench.run(24.0);
    CHECK(bench.heard.ever(Reason::membrane_damage) == hole);
}

TEST_CASE("a movement that leaps and is gone after some hours is no hole", "[diagnosis][fluctuation]") {
    Bench bench{2};
    bench.run(72.0);
    for (int night = 0; night < 4; ++night) {
        bench.rig.probe(0).noise = 0.3;
        bench.run(8.0);
        bench.rig.probe(0).noise = 0.01;
        bench.run(40.0);
    }
    CHECK_FALSE(bench.heard.ever(Reason::membrane_damage));
}

TEST_CASE("a movement that a neighbour shares by half is the water's", "[diagnosis][fluctuation]") {
    Bench bench{2};
    bench.run(72.0);
    bench.rig.probe(0).noise = 0.045;
    bench.rig.probe(1).noise = 0.023;  // slower, or further from what stirs: no leap of its own
    bench.run(36.0);
    CHECK_FALSE(bench.heard.ever(Reason::membrane_damage, 0));
}

TEST_CASE("a level that leaps for the neighbour as well, though its output hides the movement, is no hole",
          "[diagnosis][fluctuation]") {
    bool const shared = GENERATE(true, false);
    CAPTURE(shared);
    Bench bench{2};
    bench.rig.probe(1).noise = 0.001;
    bench.run(72.0);
    bench.rig.probe(0).noise = 0.035;
    bench.rig.probe(0).gain = 1.3;
    bench.rig.probe(1).gain = shared ? 1.3 : 1.0;
    bench.run(36.0);
    CHECK(bench.heard.ever(Reason::membrane_damage, 0) == !shared);
}

TEST_CASE("a wrinkle that grows by the hour out of a quiet reading is wear, not damage",
          "[diagnosis][fluctuation]") {
    Bench bench{2};
    bench.run(72.0);
    for (int hour = 0; hour < 72; ++hour) {
        bench.rig.probe(0).noise += 0.002;
        bench.run(1.0);
    }
    CHECK_FALSE(bench.heard.ever(Reason::membrane_damage));
    CHECK(bench.stands(Reason::fluctuation));
}

TEST_CASE("a membrane that is told to be loose is not told to be damaged when it moves more",
          "[diagnosis][fluctuation]") {
    Bench bench{2};
    bench.run(72.0);
    grow_noise(bench, 7, 0, 0);
    REQUIRE(bench.stands(Reason::fluctuation));
    bench.rig.probe(0).noise *= 6.0;
    bench.run(24.0);
    CHECK_FALSE(bench.heard.ever(Reason::membrane_damage));
    CHECK(bench.stands(Reason::fluctuation));
}

TEST_CASE("a storm that reaches all probes within hours damages no membrane", "[diagnosis][fluctuation]") {
    Bench bench{2};
    bench.run(72.0);
    bench.rig.probe(0).noise = bench.rig.probe(1).noise = 0.3;
    bench.run(24.0);
    CHECK_FALSE(bench.heard.ever(Reason::membrane_damage, 0));
    CHECK_FALSE(bench.heard.ever(Reason::membrane_damage, 1));
    CHECK_FALSE(bench.heard.ever(Reason::fluctuation, 0));
    CHECK_FALSE(bench.heard.ever(Reason::fluctuation, 1));
}

TEST_CASE("a membrane that is pierced days after its neighbour's is damaged, too",
          "[diagnosis][fluctuation]") {
    Bench bench{2};
    bench.run(72.0);
    bench.rig.probe(1).noise = 0.3;
    bench.run(48.0);
    REQUIRE(bench.stands(Reason::membrane_damage, 1));
    CHECK_FALSE(bench.heard.ever(Reason::membrane_damage, 0));
    bench.rig.probe(0).noise = 0.3;
    bench.run(24.0);
    CHECK(bench.stands(Reason::membrane_damage, 0));
}

TEST_CASE("what a probe adds to livelier water is told by squares", "[diagnosis][fluctuation]") {
    Bench bench{2};
    bench.did(Act::membrane_change, 0);
    bench.did(Act::membrane_change, 1);
    bench.run(96.0);
    // The water moves twice as much as it did; half of what a loose membrane would add hides in that.
    for (double const times : {1.5, 2.0}) {
        bench.rig.probe(0).noise = bench.rig.probe(1).noise = 0.01 * times;
        bench.run(24.0);
    }
    CHECK_FALSE(bench.heard.ever(Reason::fluctuation, 0));
    for (double const times : {3.0, 4.0, 4.8, 4.8}) {
        bench.rig.probe(0).noise = 0.01 * times;
        bench.run(24.0);
    }
    CHECK(bench.stands(Reason::fluctuation, 0));
    CHECK_FALSE(bench.heard.ever(Reason::fluctuation, 1));
}

TEST_CASE("of livelier water a slower neighbour with a noise of its own shows less, and excuses more",
          "[diagnosis][fluctuation]") {
    auto setup = site_of(2);
    setup.probes[1].t90_s = 200.0;
    double lively = 0.05;
    Bench bench{setup};
    bench.rig.water = [&](double hour) { return 6.0 + lively * ripple(hour); };
    bench.rig.probe(0).noise = 0.002;
    bench.rig.probe(1).noise = 0.004;
    bench.rig.probe(1).t90_s = 200.0;
    bench.run(96.0);
    for (int day = 0; day < 5; ++day) {
        lively *= 1.35;
        bench.run(24.0);
    }
    bench.run(48.0);
    CHECK_FALSE(bench.heard.ever(Reason::fluctuation, 0));
}

TEST_CASE("a few hours of readings leave the fluctuation unknown, with the reason why",
          "[diagnosis][fluctuation]") {
    Bench bench;
    bench.run(4.0);
    auto const d = bench.site.verdict(0);
    CHECK_FALSE(d.fluctuation);
    CHECK_FALSE(d.fluctuation_unknown.empty());
}

TEST_CASE("a quick flutter is seen beside water that moves slowly and as much as ever",
          "[diagnosis][fluctuation]") {
    physics::Random random{3};
    FluctuationWatch watch;
    std::int64_t at_ms = to_unix_ms(day_one);
    watch.new_life(at_ms, /*fresh=*/true);
    double slow = 0.0;
    auto const day = [&](double flutter) {
        for (int i = 0; i < 8640; ++i) {
            at_ms += 10'000;
            slow += -0.02 * slow + 0.01 * random.normal();  // of the water, over some minutes
            View view;
            view.time_ms = at_ms;
            view.value = 6.0 + slow + flutter * random.normal();
            watch.take(view, /*disturbed=*/false);
            watch.close_hour(at_ms, 0.001, 10.0);
        }
    };
    for (int i = 0; i < 4; ++i) {
        day(0.003);
    }
    REQUIRE(watch.fresh_learned());
    CHECK(*watch.today() / *watch.fresh() == Approx(1.0).margin(0.2));
    day(0.03);
    day(0.03);
    // Over eight readings the water moves as much as ever; reading by reading ten times the noise is plain.
    CHECK(*watch.today() / *watch.fresh() > 3.5);
}

TEST_CASE("water that becomes livelier comes through the membrane, and is no flutter behind it",
          "[diagnosis][fluctuation]") {
    physics::Random random{5};
    FluctuationWatch watch;
    std::int64_t at_ms = to_unix_ms(day_one);
    watch.new_life(at_ms, /*fresh=*/true);
    double water = 0.0, seen = 0.0;
    auto const day = [&](double lively, double flutter) {
        for (int i = 0; i < 8640; ++i) {
            at_ms += 10'000;
            water += -0.2 * water + 0.02 * lively * random.normal();
            seen += 0.3 * (water - seen);  // a response of 28 s
            View view;
            view.time_ms = at_ms;
            view.value = 6.0 + seen + 0.003 * random.normal() + flutter * random.normal();
            watch.take(view, /*disturbed=*/false);
            watch.close_hour(at_ms, 0.001, 10.0);
        }
    };
    for (int i = 0; i < 4; ++i) {
        day(1.0, 0.0);
    }
    REQUIRE(watch.fresh_learned());
    day(3.0, 0.0);
    day(3.0, 0.0);
    REQUIRE(watch.gained());
    CHECK(watch.gained()->all > 1.5 * *watch.fresh());
    CHECK(watch.gained()->flutter < 0.5 * watch.gained()->all);
    day(1.0, 0.03);
    day(1.0, 0.03);
    CHECK(watch.gained()->flutter > 0.9 * watch.gained()->all);
}

TEST_CASE("the movement of an output that rounds grows smoothly, not by its steps",
          "[diagnosis][fluctuation]") {
    constexpr double step = 0.01;
    physics::Random random{7};
    double before = 0.0;
    for (double noise = 0.6 * step; noise < 1.7 * step; noise *= 1.1) {
        FluctuationWatch watch;
        std::int64_t at_ms = to_unix_ms(day_one);
        for (int i = 0; i < 8640; ++i) {
            at_ms += 10'000;
            View view;
            view.time_ms = at_ms;
            view.value = std::round((6.0 + noise * random.normal()) / step) * step;
            watch.take(view, /*disturbed=*/false);
            watch.close_hour(at_ms, step, 10.0);
        }
        REQUIRE(watch.today());
        CAPTURE(noise);
        // What rounding adds is the scatter of a step's width.
        CHECK(*watch.today() == Approx(std::hypot(noise, step / std::sqrt(12.0))).epsilon(0.08));
        CHECK(*watch.today() > before);
        before = *watch.today();
    }
}

TEST_CASE("a movement that grows from day to day is known as it is now, not as half a day ago",
          "[diagnosis][fluctuation]") {
    physics::Random random{11};
    FluctuationWatch watch;
    std::int64_t at_ms = to_unix_ms(day_one);
    double noise = 0.01;
    for (int i = 0; i < 4 * 8640; ++i) {
        at_ms += 10'000;
        noise += 0.01 / 8640.0;  // as much again every day
        View view;
        view.time_ms = at_ms;
        view.value = 6.0 + noise * random.normal();
        watch.take(view, /*disturbed=*/false);
        watch.close_hour(at_ms, 0.001, 10.0);
    }
    REQUIRE(watch.now());
    CHECK(*watch.today() == Approx(noise - 0.005).epsilon(0.05));
    CHECK(*watch.now() == Approx(noise).epsilon(0.05));
}

TEST_CASE("water that has leapt to a livelier day is not told to grow livelier still",
          "[diagnosis][fluctuation]") {
    Bench bench;
    bench.run(24.0 * 5.0);
    bench.rig.probe(0).noise *= 2.6;
    bench.run(24.0 * 3.0);
    CHECK_FALSE(bench.heard.ever(Reason::fluctuation));
}

TEST_CASE("one quiet day makes no restless probe of the others", "[diagnosis][fluctuation]") {
    Bench bench;
    for (int day = 0; day < 20; ++day) {
        bench.rig.probe(0).noise = day == 5 ? 0.002 : 0.02;
        bench.run(24.0);
    }
    CHECK_FALSE(bench.heard.ever(Reason::fluctuation));
}

TEST_CASE("a coarse output shows looseness by more than it dithers between two steps",
          "[diagnosis][fluctuation]") {
    auto const [noise, water, loose] = GENERATE(std::tuple{0.002, 6.05, false}, std::tuple{0.07, 6.0, true});
    CAPTURE(noise, water);
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.rig.probe(0).resolution = 0.1;
    bench.rig.probe(0).noise = 0.002;
    bench.rig.water = [](double hour) { return 6.0 + 0.3 * std::sin(0.5 * hour); };
    bench.run(96.0);
    bench.rig.water = [at = water](double) { return at; };
    for (int hour = 0; hour < 48; ++hour) {
        bench.rig.probe(0).noise += (noise - 0.002) / 48.0;
        bench.run(1.0);
    }
    bench.run(24.0);
    CHECK(bench.stands(Reason::fluctuation) == loose);
    CHECK_FALSE(bench.heard.ever(Reason::membrane_damage));
}

}  // namespace probekeeper::diagnosis::test

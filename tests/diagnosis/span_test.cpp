// The reading in air where 100 % would be right.
#include <catch2/catch.hpp>

#include <numbers>

#include "diagnosis/bench.h"

namespace probekeeper::diagnosis::test {
namespace {

// Three lifts of ten minutes, some hours apart: long enough to settle in air.
void lifts(Bench& bench) {
    for (int i = 0; i < 3; ++i) {
        auto& probe = bench.rig.probe(0);
        probe.in_air = probe.hold = true;
        bench.run(601.0 / 3600.0);
        probe.in_air = probe.hold = false;
        bench.run(5.0);
    }
}

Handling reference(double probe_mg_l, double reference_mg_l) {
    Handling h;
    h.act = Act::reference_check;
    h.probe_mg_l = probe_mg_l;
    h.reference_mg_l = reference_mg_l;
    return h;
}

}  // namespace

TEST_CASE("lifts into air tell the span", "[diagnosis][span]") {
    double const gain = GENERATE(0.88, 1.0, 1.12);
    CAPTURE(gain);
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.rig.probe(0).gain = gain;
    bench.run(2.0);
    lifts(bench);
    bench.run(24.0);
    auto const d = bench.site.verdict(0);
    REQUIRE(d.span);
    CHECK(d.span->source == SpanSource::air_exposure);
    CHECK(d.span->value_percent == Approx(100.0 * gain).margin(2.5));
    auto const finding = bench.find(Reason::span_error);
    CHECK(finding.has_value() == (gain != 1.0));
    if (finding) {
        CHECK(*finding->value == Approx(100.0 * gain).margin(2.5));
        CHECK(*finding->limit == Approx(gain > 1.0 ? 105.0 : 95.0));
        CHECK(finding->unit == "%");
    }
}

TEST_CASE("a slow anode alone raises no span error", "[diagnosis][span]") {
    Bench bench;
    bench.rig.probe(0).t90_s = 150.0;
    bench.run(96.0);
    CHECK_FALSE(bench.heard.ever(Reason::span_error));
    CHECK(bench.stands(Reason::slow_response));
}

TEST_CASE("blasts that a slow probe hardly follows tell its span all the same", "[diagnosis][span]") {
    double const gain = GENERATE(1.0, 1.12);
    bool const declared = GENERATE(true, false);
    CAPTURE(gain, declared);
    Bench bench;
    auto& probe = bench.rig.probe(0);
    bench.rig.water = [](double) { return 3.0; };
    bench.run(24.0 * 4.0);
    if (!declared) {
        probe.blasts_declared = false;
        bench.run(24.0 * 4.0);
    }
    for (double const slower : {60.0, 80.0, 105.0, 130.0, 160.0}) {
        probe.t90_s = slower;
        bench.run(24.0 * 3.0);
    }
    // A blast shows half of the way now.
    probe.gain = gain;
    bench.run(24.0 * 6.0);
    auto const d = bench.site.verdict(0);
    REQUIRE(d.span);
    CHECK(d.span->value_percent == Approx(100.0 * gain).margin(3.0));
    CHECK(bench.stands(Reason::span_error) == (gain != 1.0));
}

TEST_CASE("an air calibration sets the span right, and takes the error away", "[diagnosis][span]") {
    Bench bench;
    bench.rig.probe(0).gain = 1.15;
    bench.run(48.0);
    REQUIRE(bench.stands(Reason::span_error));
    Handling calibration;
    calibration.act = Act::air_calibration;
    calibration.air_percent = 115.0;  // as found
    bench.did(calibration);
    bench.rig.probe(0).gain = 1.0;
    CHECK_FALSE(bench.stands(Reason::span_error));
    bench.run(1.0);
    CHECK(bench.site.verdict(0).span->value_percent == Approx(100.0).margin(2.0));
    bench.run(48.0);
    CHECK_FALSE(bench.stands(Reason::span_error));
}

TEST_CASE("a reading in air that was found wrong and left so is a span error", "[diagnosis][span]") {
    Bench bench;
    bench.rig.blast_s = 15;  // too short to settle in air
    bench.run(24.0);
    Handling inspection;
    inspection.air_percent = 112.0;
    bench.did(inspection);
    bench.run(24.0);
    CHECK(bench.stands(Reason::span_error));
    CHECK(bench.site.verdict(0).span->value_percent == Approx(112.0));
}

TEST_CASE("what a new membrane reads in air before it is calibrated is no span error", "[diagnosis][span]") {
    Bench bench;
    bench.rig.blast_s = 15;
    bench.run(24.0);
    bool const change_first = GENERATE(true, false);
    Handling air;
    air.air_percent = 125.0;
    if (!change_first) {
        bench.did(air);
        bench.run(0.2);
    }
    bench.did(Act::membrane_change);
    if (change_first) {
        bench.run(0.2);
        bench.did(air);
    }
    bench.run(24.0);
    CHECK_FALSE(bench.heard.ever(Reason::span_error));
}

TEST_CASE("weather that no register measures leaves a span error of five percent in doubt",
          "[diagnosis][span]") {
    auto setup = site_of(1);
    setup.probes[0].pressure_measured = false;
    Bench bench{setup};
    bench.rig.probe(0).gain = 1.055;
    bench.run(96.0);
    CHECK_FALSE(bench.heard.ever(Reason::span_error));
}

TEST_CASE("pressure that comes with the readings tells as much as one in the register map",
          "[diagnosis][span]") {
    bool const with_pressure = GENERATE(false, true);
    CAPTURE(with_pressure);
    auto setup = site_of(1);
    setup.probes[0].pressure_measured = false;
    setup.probes[0].limits.span_percent = 8.0;
    Bench bench{setup};
    bench.rig.probe(0).pressure_hpa = with_pressure ? 1013.2 : not_read;
    bench.run(48.0);
    bench.rig.probe(0).gain = 1.09;
    bench.run(96.0);
    CHECK(bench.heard.ever(Reason::span_error) == with_pressure);
}

TEST_CASE("a probe that is wrong from the first is told so where a bit lets its blasts be counted out",
          "[diagnosis][span]") {
    // Of sixty seconds: in step with its timer, polls count all blasts alike and wrong, however many there
    // are.
    bool const in_step = GENERATE(true, false);
    double const poll_s = GENERATE(10.0, 15.0);
    CAPTURE(in_step, poll_s);
    Bench bench{site_of(1, poll_s)};
    bench.rig.probe(0).gain = 0.9;
    for (int i = 0; i < 16; ++i) {
        bench.rig.blast_every_s = in_step ? 7300 : 7300 + 430 * (i % 5);
        bench.run(12.0);
    }
    CHECK(bench.stands(Reason::span_error) == !in_step);
}

TEST_CASE("water that rises or falls while it is cleaned is no error of the span", "[diagnosis][span]") {
    bool const rising = GENERATE(true, false);
    CAPTURE(rising);
    Bench bench;
    // By 1.2 mg/L while a blast lasts and the reading comes back, whenever there is one.
    bench.rig.water = [rising](double h) {
        double const part = (h - 1203.0 / 3600.0) / 3.0;
        double const moved = 1.2 * std::clamp(12.0 * (part - std::floor(part + 0.5)), -1.0, 1.0);
        return 6.0 + (rising ? moved : -moved);
    };
    bench.run(72.0);
    REQUIRE(bench.site.verdict(0).span);
    CHECK(bench.site.verdict(0).span->value_percent == Approx(100.0).margin(0.5));
}

TEST_CASE("a drift that goes on is named soon after it has probably passed the limit", "[diagnosis][span]") {
    double const a_day = GENERATE(-0.004, 0.004);
    CAPTURE(a_day);
    Bench bench;
    bench.rig.water = [](double) { return 3.0; };
    bench.run(48.0);
    double const limit = 0.05, early = 0.04, late = 0.066;
    for (double off = a_day; std::abs(off) < early; off += a_day) {
        bench.rig.probe(0).gain = 1.0 + off;
        bench.run(24.0);
    }
    CHECK_FALSE(bench.heard.ever(Reason::span_error));
    for (double off = std::copysign(limit - 0.01, a_day); std::abs(off) < late; off += a_day) {
        bench.rig.probe(0).gain = 1.0 + off;
        bench.run(24.0);
    }
    CHECK(bench.stands(Reason::span_error));
}

TEST_CASE("what many blasts say alike is believed, however coarsely each is timed", "[diagnosis][span]") {
    auto setup = site_of(1, 15.0);
    Bench bench{setup};
    bench.rig.water = [](double) { return 3.0; };
    auto const days = [&](int count) {
        for (int i = 0; i < 2 * count; ++i) {
            bench.rig.blast_every_s = 7300 + 430 * (i % 5);
            bench.run(12.0);
        }
    };
    bench.did(Act::air_calibration);
    days(8);
    CHECK_FALSE(bench.heard.ever(Reason::span_error));
    bench.rig.probe(0).gain = 1.07;
    days(5);
    CHECK(bench.stands(Reason::span_error));
}

TEST_CASE("a drift long after blasts have taught their length is no sign of one badly learned",
          "[diagnosis][span]") {
    Bench bench;
    auto& probe = bench.rig.probe(0);
    probe.blasts_declared = false;
    bench.rig.water = [](double) { return 3.0; };
    bench.run(24.0 * 10.0);
    for (double off = 0.0; off < 0.055; off += 0.004) {
        probe.gain = 1.0 + off;
        bench.run(24.0);
    }
    CHECK(bench.stands(Reason::span_error));
}

TEST_CASE("blasts that reach the membrane in part are no drift of the span", "[diagnosis][span]") {
    Bench bench;
    bench.rig.water = [](double) { return 3.0; };
    bench.run(72.0);
    bench.rig.probe(0).reach = 0.7;
    bench.run(24.0 * 8.0);
    bench.rig.probe(0).reach = 0.2;
    bench.run(96.0);
    CHECK(bench.stands(Reason::cleaning_failed));
    CHECK_FALSE(bench.heard.ever(Reason::span_error));
}

TEST_CASE("blasts that reach the membrane less from day to day are no step of the span",
          "[diagnosis][span]") {
    Bench bench{1};
    auto& probe = bench.rig.probe(0);
    bench.rig.water = [](double) { return 2.0; };
    bench.run(24.0 * 8.0);
    for (int i = 0; i < 6 * 8; ++i) {
        probe.reach = 1.0 - 0.09 * i / 8.0;
        bench.run(3.0);
    }
    CHECK_FALSE(bench.heard.ever(Reason::span_error));
}

TEST_CASE("a cleaner that fails within days is not taken for the probe's span", "[diagnosis][span]") {
    Bench bench;
    bench.rig.water = [](double) { return 2.0; };
    bench.rig.blast_every_s = 4000;
    bench.run(24.0 * 10.0);
    constexpr int days = 6, each_day = 8;
    for (int i = 0; i < days * each_day; ++i) {
        bench.rig.probe(0).reach = 0.95 - 0.85 * i / (days * each_day) + 0.015 * (i * 7 % 5 - 2);
        bench.run(3.0);
    }
    bench.run(48.0);
    CHECK(bench.stands(Reason::cleaning_failed));
    CHECK_FALSE(bench.heard.ever(Reason::span_error));
}

TEST_CASE("blasts that no bit declares tell no span where the output is frozen meanwhile",
          "[diagnosis][span]") {
    Bench bench;
    auto& probe = bench.rig.probe(0);
    bench.rig.water = [](double) { return 5.0; };
    probe.blasts_declared = false;
    probe.freezes = true;
    probe.t90_s = 25.0;
    bench.run(24.0 * 4.0);
    for (double const slower : {28.0, 31.0, 34.0, 37.0, 40.0, 43.0}) {  // what lies in the tail grows with it
        probe.t90_s = slower;
        bench.run(24.0 * 2.0);
    }
    CHECK_FALSE(bench.heard.ever(Reason::span_error));
}

TEST_CASE("a blast that an edge of the air cuts short tells no span", "[diagnosis][span]") {
    Bench bench;
    bench.run(72.0);
    // 17 seconds after each blast.
    bench.rig.aeration = [](double hour) { return std::fmod(hour - 1280.0 / 3600.0, 6.0) < 3.0; };
    bench.run(96.0);
    CHECK_FALSE(bench.heard.ever(Reason::span_error));
    CHECK(bench.site.verdict(0).span->value_percent == Approx(100.0).margin(2.0));
}

TEST_CASE("a background that has been told is not told again as what it adds in air", "[diagnosis][span]") {
    Bench bench;
    bench.run(72.0);
    bench.rig.probe(0).offset = 0.8;
    Handling inspection;
    inspection.dry_zero_mg_l = 0.8;
    bench.did(inspection);
    bench.run(24.0 * 5.0);
    CHECK(bench.stands(Reason::background));
    CHECK_FALSE(bench.heard.ever(Reason::span_error));
}

TEST_CASE("a portable meter that disagrees is named, and a calibration answers it", "[diagnosis][span]") {
    Bench bench;
    bench.run(24.0);
    bench.did(reference(6.0, 6.2));
    bench.run(2.0);
    CHECK_FALSE(bench.stands(Reason::reference_disagreement));
    bench.did(reference(6.0, 7.0));
    bench.run(2.0);
    auto const finding = bench.find(Reason::reference_disagreement);
    REQUIRE(finding);
    CHECK(*finding->value == Approx(-1.0));
    CHECK(bench.site.condition(0) == Condition::out_of_specification);
    bench.did(Act::air_calibration);
    bench.run(24.0);
    CHECK_FALSE(bench.stands(Reason::reference_disagreement));
}

TEST_CASE("the allowance against a reference is the greater of its two limits", "[diagnosis][span]") {
    // 10 % or 0.3 mg/L: at 1 mg/L the milligrams count, at 9 mg/L the percent. Of figures written to a
    // hundredth, 2.45 is not further than 0.3 from 2.15, though as binary fractions it is.
    struct Row {
        double probe, reference;
        bool disagrees;
    };
    auto const row = GENERATE(Row{1.25, 1.0, false}, Row{1.4, 1.0, true}, Row{9.8, 9.0, false},
                              Row{10.1, 9.0, true}, Row{2.45, 2.15, false}, Row{2.46, 2.15, true});
    CAPTURE(row.probe, row.reference);
    Bench bench;
    bench.run(24.0);
    bench.did(reference(row.probe, row.reference));
    bench.run(2.0);
    CHECK(bench.stands(Reason::reference_disagreement) == row.disagrees);
}

TEST_CASE("without air on record the span is unknown, with the reason why", "[diagnosis][span]") {
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.run(24.0);
    CHECK_FALSE(bench.site.verdict(0).span);
    CHECK_FALSE(bench.site.verdict(0).span_unknown.empty());
}

TEST_CASE("a span that drifts is named within days of passing its limit, and not a week before",
          "[diagnosis][span]") {
    bool const declared = GENERATE(true, false);
    CAPTURE(declared);
    Bench bench;
    auto& probe = bench.rig.probe(0);
    probe.blasted = declared;
    Handling calibration;
    calibration.act = Act::air_calibration;
    bench.did(calibration);
    double const per_day = 0.005;  // passes 5 % ten days after the twelfth
    double named_on_day = 0.0;
    for (int i = 0; i < 27 * 8 && named_on_day == 0.0; ++i) {
        double const day = i / 8.0;
        probe.gain = 1.0 + per_day * std::max(0.0, day - 12.0);
        if (!declared) {
            probe.in_air = true;
            bench.run(60.0 / 3600.0);
            probe.in_air = false;
        }
        bench.run(3.0 - (declared ? 0.0 : 60.0 / 3600.0));
        named_on_day = bench.stands(Reason::span_error) ? day : 0.0;
    }
    CHECK(named_on_day > 16.0);
    CHECK(named_on_day < 25.5);
}

TEST_CASE("a drift that is under way from the first day began before it, unless the membrane was new then",
          "[diagnosis][span]") {
    auto const of_blasts = [](double a_day, bool new_membrane) {
        SpanWatch watch;
        Handling change;
        change.act = Act::membrane_change;
        change.time = day_one;
        if (new_membrane) {
            watch.handled(change);
        }
        double reads = 0.0;
        for (int i = 1; i <= 3 * 12; ++i) {
            reads = 96.5 + a_day * i / 3.0 + (i % 2 == 0 ? 0.3 : -0.3);
            watch.exposure(to_unix_ms(day_one) + 8 * 3'600'000LL * i, {reads, 1.0, 0.1, true});
        }
        return reads - watch.known(0.3)->percent;
    };
    double const steady = of_blasts(0.0, false);
    CHECK(steady < -0.8);
    CHECK(of_blasts(-0.3, false) > 0.75 * steady);
    CHECK(of_blasts(-0.3, true) < of_blasts(-0.3, false) - 0.3);
}

TEST_CASE("blasts of no known length tell a span that was wrong from the first in water near to saturation",
          "[diagnosis][span]") {
    double const gain = GENERATE(0.9, 1.1);
    CAPTURE(gain);
    Bench bench;
    auto& probe = bench.rig.probe(0);
    probe.gain = gain;
    probe.blasts_declared = false;
    bench.rig.water = [](double h) { return 7.5 + 2.0 * std::sin(h / 24.0 * 2.0 * std::numbers::pi); };
    bench.run(24.0 * 12.0);
    auto const d = bench.site.verdict(0);
    REQUIRE(d.span);
    CHECK(d.span->value_percent == Approx(100.0 * gain).margin(3.0));
    CHECK(bench.stands(Reason::span_error));
}

TEST_CASE("blasts that are strewn, and some days apart, are no step of the span", "[diagnosis][span]") {
    SpanWatch watch;
    auto at_ms = to_unix_ms(day_one);
    for (int i = 0; i < 30; ++i) {
        at_ms += 8 * 3'600'000LL;
        watch.exposure(at_ms, {100.0 + (i % 2 == 0 ? 0.3 : -0.3), 5.0, 0.1, true});
    }
    bool const strewn = GENERATE(true, false);
    CAPTURE(strewn);
    for (double const off : {-8.0, -3.5, -9.2, -19.7, -10.1, -6.0, -20.3}) {
        at_ms += 30 * 3'600'000LL;
        watch.exposure(at_ms, {100.0 + (strewn ? off : -12.0 + 0.02 * off), 5.0, 0.1, true});
    }
    CHECK((watch.known(0.3)->percent > 96.0) == strewn);
}

TEST_CASE("a span that stays right raises nothing in weeks, however noisy its blasts", "[diagnosis][span]") {
    auto const seed = GENERATE(range<std::uint64_t>(1, 9));
    CAPTURE(seed);
    Bench bench{1, seed};
    bench.rig.probe(0).noise = 0.08;
    bench.rig.water = [](double h) { return 5.0 + 1.5 * std::sin(h); };
    bench.run(24.0 * 20.0);
    CHECK_FALSE(bench.heard.ever(Reason::span_error));
}

}  // namespace probekeeper::diagnosis::test

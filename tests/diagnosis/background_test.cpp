// What a probe reads where there is no oxygen: known only where the water is truly without, or by a dry zero.
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <vector>

#include "diagnosis/bench.h"

namespace probekeeper::diagnosis::test {
namespace {

// Half an hour with air, an hour without: the oxygen is gone after ten minutes, down to `floor(hour)`.
void cycle(Rig& rig, std::function<double(double)> floor) {
    rig.aeration = [](double h) { return std::fmod(h, 1.5) < 0.5; };
    rig.water = [floor = std::move(floor)](double h) {
        double const in = std::fmod(h, 1.5);
        double const high = 5.0 * std::min(1.0, in * 6.0);
        double const low = 5.0 * std::max(0.0, 1.0 - (in - 0.5) * 6.0);
        return std::max(in < 0.5 ? high : low, floor(h));
    };
}

double nothing(double) {
    return 0.0;
}

}  // namespace

namespace {

// Half an hour with air, at 1.5 mg/L, and half an hour without, in which the water runs out of oxygen within
// two minutes, by Monod's law.
void runs_out_each_hour(Rig& rig) {
    std::vector<double> falling{1.5};
    while (falling.size() < 1800) {
        double const c = falling.back();
        falling.push_back(c - 0.02 * c / (c + 0.3));
    }
    rig.aeration = [](double h) { return std::fmod(h, 1.0) < 0.5; };
    rig.water = [falling = std::move(falling)](double h) {
        double const off_s = 3600.0 * (std::fmod(h, 1.0) - 0.5);
        return off_s < 0.0 ? 1.5 * (1.0 - std::exp(-(off_s + 1800.0) / 300.0))
                           : falling[std::min(falling.size() - 1, static_cast<std::size_t>(off_s))];
    };
}

}  // namespace

TEST_CASE("a background that grows does not make a probe seem slower whose response stops of the air tell",
          "[diagnosis][background]") {
    auto site = site_of(1);
    site.probes.front().t90_s = 100.0;
    Bench bench{site};
    bench.rig.probe(0).blasted = false;
    bench.rig.probe(0).t90_s = 100.0;
    runs_out_each_hour(bench.rig);
    bench.run(72.0);
    REQUIRE(bench.site.verdict(0).t90);
    double const before_s = bench.site.verdict(0).t90->value_s;
    for (int hour = 0; hour < 144; ++hour) {
        bench.rig.probe(0).offset = 0.25 * (hour + 1) / 144.0;
        bench.run(1.0);
    }
    bench.run(72.0);
    CHECK(bench.site.verdict(0).t90->value_s == Approx(before_s).epsilon(0.15));
}

TEST_CASE("anoxic plateaus that agree give the background with an interval that holds it",
          "[diagnosis][background]") {
    double const offset = GENERATE(0.0, 0.05, -0.08);
    CAPTURE(offset);
    Bench bench;
    cycle(bench.rig, nothing);
    bench.rig.probe(0).offset = offset;
    bench.run(72.0);
    auto const d = bench.site.verdict(0);
    REQUIRE(d.background);
    CHECK(d.background->source == BackgroundSource::anoxic_floor);
    CHECK(d.background->value_mg_l == Approx(offset).margin(0.03));
    CHECK(d.background->low_mg_l < offset);
    CHECK(d.background->high_mg_l > offset);
    CHECK(d.background->high_mg_l - d.background->low_mg_l < 0.025);
    CHECK(d.background_unknown.empty());
    CHECK_FALSE(bench.heard.ever(Reason::background));
}

TEST_CASE("plateaus that agree because the output rounds leave open what it hides",
          "[diagnosis][background]") {
    double const offset = GENERATE(0.06, 0.12);
    CAPTURE(offset);
    Bench bench;
    cycle(bench.rig, nothing);
    bench.rig.probe(0).offset = offset;  // reads 0.1, either way
    bench.rig.probe(0).resolution = 0.1;
    bench.rig.probe(0).noise = 0.002;
    bench.run(72.0);
    auto const d = bench.site.verdict(0);
    REQUIRE(d.background);
    CHECK(d.background->value_mg_l == Approx(0.1).margin(0.01));
    CHECK(d.background->low_mg_l < offset);
    CHECK(d.background->high_mg_l > offset);
}

TEST_CASE("a residue that reads half a milligram where there is none is named", "[diagnosis][background]") {
    Bench bench;
    cycle(bench.rig, nothing);
    bench.rig.probe(0).offset = 0.5;
    bench.run(96.0);
    auto const finding = bench.find(Reason::background);
    REQUIRE(finding);
    CHECK(*finding->value == Approx(0.5).margin(0.05));
    CHECK(*finding->low <= *finding->value);
    CHECK(*finding->high >= *finding->value);
    CHECK(*finding->limit == Approx(0.2));
    CHECK(finding->unit == "mg/L");
    CHECK(finding->probability > 0.9);
    CHECK_FALSE(finding->text.empty());
    CHECK(bench.site.condition(0) == Condition::out_of_specification);
}

TEST_CASE("a large negative floor is a background too, for water cannot hold less than nothing",
          "[diagnosis][background]") {
    Bench bench;
    cycle(bench.rig, nothing);
    bench.rig.probe(0).offset = -0.8;
    bench.run(96.0);
    auto const finding = bench.find(Reason::background);
    REQUIRE(finding);
    CHECK(*finding->value == Approx(-0.8).margin(0.06));
}

TEST_CASE("a floor that wanders below zero is the probe's own, for there is no oxygen to disagree about",
          "[diagnosis][background]") {
    Bench bench;
    cycle(bench.rig, nothing);
    auto& probe = bench.rig.probe(0);
    for (int i = 0; i < 8 * 12; ++i) {
        probe.offset = -1.2 + 0.4 * std::sin(i / 5.0);
        bench.run(1.0);
    }
    CHECK(bench.stands(Reason::background));
}

TEST_CASE(
    "a floor that leaps at both probes of a water within a day is the water's, at one alone the probe's",
    "[diagnosis][background]") {
    bool const both = GENERATE(true, false);
    CAPTURE(both);
    Bench bench{2};
    cycle(bench.rig, nothing);
    bench.run(24.0 * 4.0);
    bench.rig.probe(0).offset = 0.28;
    bench.run(6.0);
    bench.rig.probe(1).offset = both ? 0.25 : 0.0;
    bench.run(24.0 * 9.0);
    CHECK(bench.heard.ever(Reason::background, 0) != both);
    CHECK_FALSE(bench.heard.ever(Reason::background, 1));
}

TEST_CASE("floor and height that leap up together are a hole in the membrane, and either alone is not",
          "[diagnosis][background]") {
    struct Row {
        double floor, high;
        bool damaged;
    };
    auto const row = GENERATE(Row{0.6, 1.4, true}, Row{0.6, 1.0, false}, Row{0.0, 1.4, false});
    bool const blasted_unsaid = GENERATE(false, true);  // which hides the height, as that of air
    CAPTURE(row.floor, row.high, blasted_unsaid);
    Bench bench;
    cycle(bench.rig, nothing);
    auto& probe = bench.rig.probe(0);
    probe.blasted = blasted_unsaid;
    probe.blasts_declared = false;
    bench.run(24.0 * 4.0);
    probe.gain = row.high;
    probe.offset = row.floor;
    bench.run(36.0);
    CHECK(bench.stands(Reason::membrane_damage) == row.damaged);
    bench.run(24.0 * 4.0);
    CHECK(bench.stands(Reason::membrane_damage) == row.damaged);
}

TEST_CASE("floor and height that are up for a night of hardly any load are no hole",
          "[diagnosis][background]") {
    Bench bench;
    cycle(bench.rig, nothing);
    bench.rig.probe(0).blasted = false;
    bench.run(24.0 * 4.0);
    for (int night = 0; night < 3; ++night) {
        bench.rig.probe(0).gain = 1.4;
        bench.rig.probe(0).offset = 0.6;
        bench.run(12.0);
        bench.rig.probe(0).gain = 1.0;
        bench.rig.probe(0).offset = night == 1 ? 0.3 : 0.0;  // oxygen that stays meanwhile, too
        bench.run(39.0);
    }
    CHECK_FALSE(bench.heard.ever(Reason::membrane_damage));
}

TEST_CASE("floors that move with the load are no hole, however the height has leapt",
          "[diagnosis][background]") {
    Bench bench;
    cycle(bench.rig, [](double h) {
        return h < 96.0 ? 0.0 : 0.4 + 0.8 * std::max(0.0, std::sin(h * 2.0 * std::numbers::pi / 24.0));
    });
    bench.rig.probe(0).blasted = false;
    bench.run(24.0 * 4.0);
    bench.rig.probe(0).gain = 1.4;
    bench.run(60.0);
    CHECK_FALSE(bench.heard.ever(Reason::membrane_damage));
}

TEST_CASE("a low level that air holds hides no hole where no bit tells of the air",
          "[diagnosis][background]") {
    double const floor = GENERATE(0.6, 0.0);
    CAPTURE(floor);
    Bench bench;
    auto& probe = bench.rig.probe(0);
    probe.blasted = false;
    bench.rig.water = [](double h) {
        double const in = std::fmod(h, 1.5);
        double const held = in < 0.25 ? 20.0 * in : std::max(1.0, 5.0 - 30.0 * (in - 0.25));
        return in < 0.9 ? held : std::max(0.0, 1.0 - 10.0 * (in - 0.9));
    };
    bench.run(24.0 * 4.0);
    probe.gain = 1.4;
    probe.offset = floor;
    bench.run(36.0);
    CHECK(bench.stands(Reason::membrane_damage) == (floor > 0.0));
}

TEST_CASE("plateaus that move with the load may be real oxygen, and say nothing of the probe",
          "[diagnosis][background]") {
    Bench bench;
    cycle(bench.rig, [](double h) { return 0.55 + 0.45 * std::sin(h * 2.0 * std::numbers::pi / 24.0); });
    bench.run(96.0);
    auto const d = bench.site.verdict(0);
    CHECK_FALSE(d.background);
    CHECK_FALSE(d.background_unknown.empty());
    CHECK_FALSE(bench.heard.ever(Reason::background));
}

TEST_CASE("a level that weak air holds for a day is no residue where no bit tells, for it was lower before",
          "[diagnosis][background]") {
    bool const residue = GENERATE(true, false);
    CAPTURE(residue);
    Bench bench;
    cycle(bench.rig, [residue](double h) {
        return residue ? 0.0 : h < 96.0 ? 0.75 + 0.25 * std::sin(h * 2.0 * std::numbers::pi / 24.0) : 1.0;
    });
    bench.rig.aeration = {};
    bench.rig.probe(0).offset = residue ? 0.5 : 0.0;
    bench.run(96.0 + 48.0);
    CHECK(bench.heard.ever(Reason::background) == residue);
}

TEST_CASE("floors that agree by day and stand higher by night hold oxygen that the load leaves",
          "[diagnosis][background]") {
    Bench bench;
    cycle(bench.rig,
          [](double h) { return 0.3 + 0.6 * std::max(0.0, std::sin(h * 2.0 * std::numbers::pi / 24.0)); });
    bench.run(24.0 * 8.0);
    auto const d = bench.site.verdict(0);
    CHECK_FALSE(d.background);
    CHECK_FALSE(bench.heard.ever(Reason::background));
}

TEST_CASE("a low floor is known though the water seldom reaches it", "[diagnosis][background]") {
    Bench bench;
    cycle(bench.rig,
          [](double h) { return std::max(0.0, 0.6 * std::sin(h * 2.0 * std::numbers::pi / 24.0)); });
    bench.run(72.0);
    auto const d = bench.site.verdict(0);
    REQUIRE(d.background);
    CHECK(d.background->value_mg_l == Approx(0.0).margin(0.03));
}

TEST_CASE("a floor that leaps is not told as residue while oxygen may still stay",
          "[diagnosis][background]") {
    double const days = GENERATE(5.0, 12.0);
    CAPTURE(days);
    Bench bench;
    cycle(bench.rig, [days](double h) { return h > 96.0 && h < 96.0 + 24.0 * days ? 0.3 : 0.0; });
    bench.run(96.0 + 24.0 * days);
    CHECK(bench.heard.ever(Reason::background) == (days > 10.0));
}

TEST_CASE("oxygen that stays at weekends hides no residue on the days between", "[diagnosis][background]") {
    Bench bench;
    cycle(bench.rig, [](double h) { return std::fmod(h, 168.0) > 120.0 ? 0.4 : 0.0; });
    bench.rig.probe(0).offset = 0.15;
    bench.run(24.0 * 8.0);
    CHECK_FALSE(bench.heard.ever(Reason::background));
    bench.rig.probe(0).offset = 0.25;
    bench.run(24.0 * 3.0);
    CHECK(bench.stands(Reason::background));
}

TEST_CASE("a background that is gone is told as what it was", "[diagnosis][background]") {
    Bench bench;
    cycle(bench.rig, nothing);
    bench.rig.probe(0).offset = 0.3;
    bench.run(72.0);
    REQUIRE(bench.find(Reason::background));
    CHECK_THAT(bench.find(Reason::background)->text, Catch::Contains("It reads 0.30 mg/L"));
    bench.rig.probe(0).offset = 0.0;
    bench.run(36.0);
    auto const finding = bench.find(Reason::background);
    REQUIRE(finding);
    CHECK_THAT(finding->text, Catch::Contains("It read more than 0.20 mg/L") &&
                                  Catch::Contains("it reads 0.00 mg/L there now"));
}

TEST_CASE("a water that never runs out of oxygen leaves the background unknown, with the reason why",
          "[diagnosis][background]") {
    Bench bench;
    bench.run(72.0);
    auto const d = bench.site.verdict(0);
    CHECK_FALSE(d.background);
    CHECK_FALSE(d.background_unknown.empty());
}

TEST_CASE("a dry zero check tells the background where the water never can", "[diagnosis][background]") {
    Bench bench;
    bench.run(24.0);
    Handling check;
    check.dry_zero_mg_l = GENERATE(0.03, 0.10, 0.11, 0.3, -0.3);
    CAPTURE(*check.dry_zero_mg_l);
    bench.did(check);
    bench.run(24.0);
    auto const d = bench.site.verdict(0);
    REQUIRE(d.background);
    CHECK(d.background->source == BackgroundSource::dry_zero);
    CHECK(d.background->value_mg_l == Approx(*check.dry_zero_mg_l));
    CHECK(bench.stands(Reason::background) == (std::abs(*check.dry_zero_mg_l) > 0.1));
}

TEST_CASE("works that stop their air three times a day show a background as well, over more days",
          "[diagnosis][background]") {
    double const offset = GENERATE(0.0, 0.3);
    CAPTURE(offset);
    Bench bench;
    bench.rig.aeration = [](double h) { return std::fmod(h, 8.0) < 7.7; };
    bench.rig.water = [](double h) {
        double const off = std::fmod(h, 8.0) - 7.7;
        return off < 0.0 ? 2.0 : std::max(0.0, 2.0 - 12.0 * off);
    };
    bench.rig.probe(0).offset = offset;
    bench.run(24.0 * 4.0);
    auto const d = bench.site.verdict(0);
    REQUIRE(d.background);
    CHECK(d.background->value_mg_l == Approx(offset).margin(0.03));
    CHECK(bench.stands(Reason::background) == (offset > 0.2));
}

TEST_CASE("oxygen that stays for some days where the air seldom stops is no background",
          "[diagnosis][background]") {
    Bench bench;
    bench.rig.aeration = [](double h) { return std::fmod(h, 12.0) < 11.7; };
    bench.rig.water = [](double h) {
        double const off = std::fmod(h, 12.0) - 11.7;
        double const least = h > 24.0 * 6.0 && h < 24.0 * 8.5 ? 0.28 : 0.0;
        return off < 0.0 ? 2.0 : std::max(least, 2.0 - 12.0 * off);
    };
    bench.run(24.0 * 12.0);
    CHECK_FALSE(bench.heard.ever(Reason::background));
}

TEST_CASE("an output that is dead or stuck tells no background", "[diagnosis][background]") {
    double const shows = GENERATE(0.0, 0.76);
    CAPTURE(shows);
    Bench bench;
    cycle(bench.rig, nothing);
    bench.rig.probe(0).offset = 0.1;
    bench.run(24.0 * 4.0);
    REQUIRE(bench.site.verdict(0).background);
    bench.rig.probe(0).shows = shows;
    bench.run(24.0 * 4.0);
    auto const d = bench.site.verdict(0);
    CHECK_FALSE(d.background);
    CHECK_FALSE(d.background_unknown.empty());
    CHECK_FALSE(bench.heard.ever(Reason::background));
    bench.rig.probe(0).shows.reset();
    bench.run(30.0);
    REQUIRE(bench.site.verdict(0).background);
    CHECK(bench.site.verdict(0).background->value_mg_l == Approx(0.1).margin(0.03));
}

TEST_CASE("floors from before an output stuck raise no background while it is stuck",
          "[diagnosis][background]") {
    Bench bench;
    cycle(bench.rig, nothing);
    bench.run(24.0 * 4.0);
    bench.rig.probe(0).offset = 0.5;
    bench.run(74.0);
    REQUIRE_FALSE(bench.stands(Reason::background));
    bench.rig.probe(0).shows = 2.46;
    bench.run(24.0 * 4.0);
    REQUIRE(bench.stands(Reason::stuck));
    CHECK_FALSE(bench.heard.ever(Reason::background));
}

TEST_CASE("a loose membrane's flutter is no plateau", "[diagnosis][background]") {
    // Water that keeps oxygen, read through a wrinkle: no spell of it is flat.
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.rig.probe(0).noise = 0.35;
    bench.rig.probe(0).resolution = 0.1;
    bench.rig.water = [](double h) { return 1.2 + 0.6 * std::sin(h * 1.7); };
    bench.run(24.0 * 6.0);
    CHECK_FALSE(bench.site.verdict(0).background);
    CHECK_FALSE(bench.heard.ever(Reason::background));
}

TEST_CASE("a background is gone when the electrode has been cleaned of it", "[diagnosis][background]") {
    Bench bench;
    cycle(bench.rig, nothing);
    bench.rig.probe(0).offset = 0.5;
    bench.run(72.0);
    REQUIRE(bench.stands(Reason::background));
    bench.did(Act::electrode_clean);
    bench.rig.probe(0).offset = 0.0;
    bench.run(48.0);
    CHECK_FALSE(bench.stands(Reason::background));
    CHECK(bench.site.verdict(0).background->value_mg_l == Approx(0.0).margin(0.03));
}

TEST_CASE("a device that gives only percent and no temperature leaves the background unknown",
          "[diagnosis][background]") {
    Rig rig{1};
    cycle(rig, nothing);
    SiteDiagnosis site{site_of(1)};
    Heard heard;
    rig.run(48.0, [&](std::size_t place, Reading r) {
        r.do_mg_l = r.temperature_c = not_read;
        site.take(place, r, heard);
    });
    CHECK_FALSE(site.verdict(0).background);
    CHECK_FALSE(site.verdict(0).background_unknown.empty());
    CHECK(site.verdict(0).t90);  // the response needs no mg/L
}

}  // namespace probekeeper::diagnosis::test

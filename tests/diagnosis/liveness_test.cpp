// Sudden faults: dead, stuck, impossible - and the waters that only look like them.
#include <catch2/catch.hpp>

#include "diagnosis/bench.h"

namespace probekeeper::diagnosis::test {
namespace {

// Of a calm water such an output hides all that moves within one of its steps.
void read_coarsely(Bench& bench, double resolution) {
    auto& probe = bench.rig.probe(0);
    probe.resolution = resolution;
    probe.noise = 0.004;
    probe.blasted = false;
}

// Water that a controller holds at one value, which it leaves for some minutes each `period` hours.
double held_water(double h, double period) {
    return 2.2 + (std::fmod(h, period) < 0.05 ? 0.1 : 0.0);
}

}  // namespace

TEST_CASE("a probe that falls to zero while its neighbour reads oxygen has no signal",
          "[diagnosis][liveness]") {
    Bench bench{2};
    bench.run(72.0);
    bench.rig.probe(0).shows = 0.0;
    bench.run(8.0);
    auto const finding = bench.find(Reason::no_signal);
    REQUIRE(finding);
    REQUIRE(finding->since);
    CHECK(std::abs(seconds_between(day_one + Millis{72 * 3'600'000}, *finding->since)) < 600.0);
    CHECK(bench.site.condition(0) == Condition::failure);
    CHECK_FALSE(bench.heard.ever(Reason::no_signal, 1));
    CHECK_FALSE(bench.heard.ever(Reason::stuck, 0));  // told once
}

TEST_CASE("water that runs out of oxygen for all of its probes is no fault of theirs",
          "[diagnosis][liveness]") {
    Bench bench{2};
    bench.rig.probe(0).blasted = bench.rig.probe(1).blasted = false;
    bench.rig.probe(0).resolution = bench.rig.probe(1).resolution = 0.01;
    bench.rig.probe(0).noise = bench.rig.probe(1).noise = 0.001;  // so calm that zeros repeat
    bench.rig.water = [](double h) {
        return h < 72.0 ? 6.0 + 0.3 * std::sin(h) : std::max(0.0, 6.0 - 3.0 * (h - 72.0));
    };
    bench.run(120.0);
    for (std::size_t place = 0; place < 2; ++place) {
        CAPTURE(place);
        CHECK_FALSE(bench.heard.ever(Reason::no_signal, place));
        CHECK_FALSE(bench.heard.ever(Reason::stuck, place));
    }
}

namespace {

// Air for 20 minutes of each hour: oxygen comes with it, and is gone soon after it.
double within_the_hour(double h) {
    return h - std::floor(h);
}
double aired_water(double h) {
    double const part = within_the_hour(h);
    return part < 1.0 / 3.0 ? 6.0 * part : std::max(0.0, 2.0 - 12.0 * (part - 1.0 / 3.0));
}

}  // namespace

TEST_CASE("a probe that dies in water without oxygen is told by air that comes in vain",
          "[diagnosis][liveness]") {
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.rig.water = aired_water;
    bench.rig.aeration = [](double h) { return within_the_hour(h) < 1.0 / 3.0; };
    bench.run(72.75);
    CHECK_FALSE(bench.heard.ever(Reason::no_signal));
    bench.rig.probe(0).shows = 0.0;
    bench.run(5.0);
    CHECK(bench.stands(Reason::no_signal));
}

TEST_CASE("where nothing tells of the air, a zero that stays far beyond the water's habit is a dead cell",
          "[diagnosis][liveness]") {
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.rig.water = aired_water;
    bench.run(72.75);
    bench.rig.probe(0).shows = 0.0;
    bench.run(30.0);
    CHECK_FALSE(bench.heard.ever(Reason::no_signal));  // the works' air may have failed
    bench.run(10.0);
    CHECK(bench.stands(Reason::no_signal));
}

TEST_CASE("a bit that says that the air is off explains a long zero", "[diagnosis][liveness]") {
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.rig.aeration = [](double h) { return h < 72.0 && within_the_hour(h) < 1.0 / 3.0; };
    bench.rig.water = [](double h) { return h < 72.0 ? aired_water(h) : 0.0; };
    bench.run(120.0);
    CHECK_FALSE(bench.heard.ever(Reason::no_signal));
}

TEST_CASE("a cell at zero that shows no blast of air is dead, and its cleaner has not failed",
          "[diagnosis][liveness]") {
    Bench bench;
    bench.rig.blast_every_s = 5 * 3600;
    bench.rig.water = aired_water;
    bench.run(72.75);
    bench.rig.probe(0).shows = 0.0;
    bench.run(34.0);
    CHECK(bench.stands(Reason::no_signal));
    CHECK_FALSE(bench.heard.ever(Reason::cleaning_failed));
}

TEST_CASE("a dead neighbour excuses no other probe that reads no oxygen", "[diagnosis][liveness]") {
    Bench bench{2};
    bench.rig.probe(0).blasted = bench.rig.probe(1).blasted = false;
    bench.rig.water = aired_water;
    bench.rig.aeration = [](double h) { return within_the_hour(h) < 1.0 / 3.0; };
    bench.run(72.75);
    bench.rig.probe(0).shows = 0.0;
    bench.run(24.0);
    REQUIRE(bench.stands(Reason::no_signal, 0));
    CHECK_FALSE(bench.heard.ever(Reason::no_signal, 1));
    bench.rig.probe(1).shows = 0.0;
    bench.run(5.0);
    CHECK(bench.stands(Reason::no_signal, 1));
}

TEST_CASE("where no bit tells the air, neighbours that read oxygen again tell a dead probe in the same water",
          "[diagnosis][liveness]") {
    Bench bench{2};
    bench.rig.probe(0).blasted = bench.rig.probe(1).blasted = false;
    bench.rig.water = aired_water;
    bench.run(72.75);
    CHECK_FALSE(bench.heard.ever(Reason::no_signal, 0));
    bench.rig.probe(0).shows = 0.0;
    bench.run(8.0);
    CHECK(bench.stands(Reason::no_signal, 0));
    CHECK_FALSE(bench.heard.ever(Reason::no_signal, 1));
}

TEST_CASE("a bit that says air all the time makes no dead probe of one in water without oxygen",
          "[diagnosis][liveness]") {
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.rig.water = aired_water;
    bench.rig.aeration = [](double h) { return h > 72.0 || within_the_hour(h) < 1.0 / 3.0; };
    bench.run(120.0);
    CHECK_FALSE(bench.heard.ever(Reason::no_signal));
}

TEST_CASE("a silence that begins while the water is without oxygen is no dead probe",
          "[diagnosis][liveness]") {
    Bench bench;
    bench.rig.probe(0).blasted = false;
    bench.rig.water = aired_water;
    bench.rig.aeration = [](double h) { return within_the_hour(h) < 1.0 / 3.0; };
    bench.site = SiteDiagnosis{[] {
        auto site = site_of(1);
        site.probes[0].limits.no_reading_minutes = 240.0;
        return site;
    }()};
    bench.run(73.007);  // the air has just come on
    bench.rig.probe(0).silent = true;
    bench.run(10.0);
    CHECK_FALSE(bench.heard.ever(Reason::no_signal));
}

TEST_CASE("a signal that comes back clears the failure", "[diagnosis][liveness]") {
    Bench bench{2};
    bench.run(72.0);
    bench.rig.probe(0).shows = 0.0;
    bench.run(8.0);
    REQUIRE(bench.stands(Reason::no_signal));
    bench.rig.probe(0).shows.reset();
    bench.run(0.3);
    auto const ending = bench.find(Reason::no_signal);
    REQUIRE(ending);
    CHECK(ending->text.find("it reads again") != std::string::npos);
    bench.run(8.0);
    CHECK_FALSE(bench.stands(Reason::no_signal));
}

TEST_CASE("a probe that repeats one value while the water moves is stuck", "[diagnosis][liveness]") {
    Bench bench;
    bench.rig.water = [](double h) { return 6.0 + std::sin(h / 3.0); };
    bench.run(72.0);
    bench.rig.probe(0).shows = 6.25;
    bench.run(14.0);
    auto const finding = bench.find(Reason::stuck);
    REQUIRE(finding);
    REQUIRE(finding->since);
    CHECK(*finding->since >= day_one + Millis{71 * 3'600'000});
    CHECK(bench.site.condition(0) == Condition::failure);
}

TEST_CASE("a coarse reading in calm water repeats itself and is not stuck", "[diagnosis][liveness]") {
    Bench bench;
    read_coarsely(bench, 0.1);
    bench.rig.water = [](double h) { return 6.03 + 0.4 * std::sin(h * 2.0 * std::numbers::pi / 24.0); };
    bench.run(240.0);
    CHECK_FALSE(bench.heard.ever(Reason::stuck));
}

TEST_CASE("a coarse reading that a controller holds at one value is stuck only beyond all its calm",
          "[diagnosis][liveness]") {
    Bench bench;
    read_coarsely(bench, 0.1);
    // Within a step all the time; at first it leaves its value each half hour, and later hardly ever.
    bench.rig.water = [](double h) { return held_water(h, h < 120.0 ? 0.5 : 30.0); };
    bench.run(220.0);
    CHECK_FALSE(bench.heard.ever(Reason::stuck));
    bench.rig.probe(0).shows = 2.2;
    bench.run(24.0 * 14.0);
    CHECK(bench.stands(Reason::stuck));
}

TEST_CASE("a held reading that always left its value within the hour is stuck when it stays for days",
          "[diagnosis][liveness]") {
    Bench bench;
    read_coarsely(bench, 0.1);
    bench.rig.water = [](double h) { return held_water(h, 0.5); };
    bench.run(240.0);
    bench.rig.probe(0).shows = 2.2;
    bench.run(30.0);
    CHECK_FALSE(bench.stands(Reason::stuck));
    bench.run(18.0);
    CHECK(bench.stands(Reason::stuck));
}

TEST_CASE(
    "a coarse reading that a controller holds for a day from the first on is not stuck, and for two it is",
    "[diagnosis][liveness]") {
    double const resolution = GENERATE(0.1, 0.01);
    CAPTURE(resolution);
    Bench bench;
    read_coarsely(bench, resolution);
    bench.rig.water = [](double h) { return h < 3.0 ? 2.0 + 0.1 * h : 2.4; };
    bench.run(4.0);
    bench.rig.probe(0).shows = 2.4;
    bench.run(24.0);
    CHECK(bench.heard.ever(Reason::stuck) == (resolution < 0.1));
    bench.run(20.0);
    CHECK(bench.stands(Reason::stuck));
}

TEST_CASE("a coarse reading of water that comes to rest for hours is not stuck, and for a day it is",
          "[diagnosis][liveness]") {
    Bench bench;
    read_coarsely(bench, 0.1);
    bench.rig.water = [](double h) { return h < 96.0 ? 6.4 + std::sin(h / 1.5) : 6.4; };
    bench.run(96.0 + 9.0);
    CHECK_FALSE(bench.heard.ever(Reason::stuck));
    bench.run(15.0);
    CHECK(bench.stands(Reason::stuck));
}

TEST_CASE("how long a probe repeats one value is learned anew with each membrane", "[diagnosis][liveness]") {
    bool const changed = GENERATE(true, false);
    CAPTURE(changed);
    Bench bench;
    read_coarsely(bench, 0.1);
    bench.rig.water = [](double h) { return held_water(h, h < 24.0 ? 5.0 : 0.5); };
    bench.run(24.0);
    if (changed) {
        bench.did(Act::membrane_change);
    }
    bench.run(216.0);
    CHECK_FALSE(bench.heard.ever(Reason::stuck));
    bench.rig.probe(0).shows = 2.2;
    bench.run(48.0);
    CHECK(bench.stands(Reason::stuck) == changed);
}

TEST_CASE("percent that are worked out from coarse mg/L repeat with them while the thermometer rests",
          "[diagnosis][liveness]") {
    LivenessWatch liveness;
    View view;
    auto const follow = [&](double from_h, double to_h, double mg_l) {
        for (auto minute = std::llround(60.0 * from_h); minute < std::llround(60.0 * to_h); ++minute) {
            double const h = static_cast<double>(minute) / 60.0;
            double const celsius = h < 96.0 ? 6.0 + 4.0 * std::sin(h / 4.0) : 2.0;
            view.time_ms = 60'000 * (minute + 1);
            view.saturation = 14.6 - 0.4 * celsius;
            double const slowly = std::round(10.0 * (10.0 + std::sin(h / 4.0))) / 10.0;
            view.value = std::isnan(mg_l) ? slowly : mg_l;
            view.given = {view.value, 100.0 * view.value / view.saturation, not_read};
            liveness.take(view);
        }
    };
    follow(0.0, 96.0, not_read);
    CHECK_FALSE(liveness.stuck());
    follow(96.0, 101.0, 10.0);
    CHECK_FALSE(liveness.stuck());
    follow(101.0, 120.0, 10.0);
    CHECK(liveness.stuck());
}

TEST_CASE("a value that goes on after a gap was no habit before it", "[diagnosis][liveness]") {
    Bench bench;
    bench.rig.water = [](double h) { return 6.0 + std::sin(h / 3.0); };
    bench.run(72.0);
    bench.rig.probe(0).shows = 6.25;
    bench.run(0.8);
    bench.rig.probe(0).silent = true;
    bench.run(2.0);
    bench.rig.probe(0).silent = false;
    bench.run(2.0);
    CHECK(bench.stands(Reason::stuck));
}

TEST_CASE("a transmitter that freezes while it is cleaned is not stuck", "[diagnosis][liveness]") {
    Bench bench;
    bench.rig.blast_s = 900;
    bench.rig.blast_every_s = 3600;
    bench.rig.probe(0).blasts_reach = false;
    bench.run(72.0);
    CHECK_FALSE(bench.heard.ever(Reason::stuck));
    CHECK_FALSE(bench.heard.ever(Reason::no_signal));
}

TEST_CASE("a temperature that cannot be, or that the neighbours contradict, is named",
          "[diagnosis][liveness]") {
    double const shown = GENERATE(-20.0, 85.0, 31.0);
    CAPTURE(shown);
    Bench bench{4};
    bench.run(24.0);
    CHECK_FALSE(bench.heard.ever(Reason::temperature_fault));
    bench.rig.probe(0).temperature_c = shown;
    bench.run(24.0);
    CHECK(bench.stands(Reason::temperature_fault, 0));
    CHECK_FALSE(bench.heard.ever(Reason::temperature_fault, 1));
    CHECK_FALSE(bench.heard.ever(Reason::temperature_fault, 2));
    CHECK_FALSE(bench.heard.ever(Reason::temperature_fault, 3));
    bench.rig.probe(0).temperature_c = 20.0;
    bench.run(24.0);
    CHECK_FALSE(bench.stands(Reason::temperature_fault, 0));
}

TEST_CASE("of two neighbours an impossible thermometer is blamed, and not the sound one beside it",
          "[diagnosis][temperature]") {
    double const broken = GENERATE(-50.0, 99.0);
    CAPTURE(broken);
    Bench bench{2};
    bench.run(24.0);
    bench.rig.probe(0).temperature_c = broken;
    bench.run(24.0);
    CHECK(bench.stands(Reason::temperature_fault, 0));
    CHECK_FALSE(bench.heard.ever(Reason::temperature_fault, 1));
}

TEST_CASE("a level far above anything the water ever showed is damage to the membrane",
          "[diagnosis][liveness]") {
    Bench bench;
    bench.run(96.0);
    bench.rig.probe(0).gain = 2.6;
    bench.run(8.0);
    CHECK(bench.stands(Reason::membrane_damage));
}

TEST_CASE("a bright day that lifts the oxygen of a pond over its hours damages no membrane",
          "[diagnosis][liveness]") {
    Bench bench;
    bench.rig.water = [](double h) { return 6.0 + std::clamp(h - 96.0, 0.0, 10.0); };
    bench.run(112.0);
    CHECK_FALSE(bench.heard.ever(Reason::membrane_damage));
}

namespace {

// Readings of a device that gives percent, of which mg/L are worked out with a temperature that moves.
class PercentDevice {
public:
    explicit PercentDevice(Bench& bench) : bench_{bench} {}
    std::optional<double> shows_percent;  // this, whatever the water
    std::optional<double> frozen_mg_l;    // the cell gives this, and the device works percent out of it
    std::function<double(double hour)> held_mg_l;  // of the water
    bool thermometer_broken = false, thermometer_read = true;
    double swing_c = 2.0;  // of its temperature

    void run(double hours) {
        for (auto const end = second_ + static_cast<std::int64_t>(hours * 3600.0); second_ < end;) {
            second_ += 10;
            double const h = static_cast<double>(second_) / 3600.0;
            double const water = 80.0 + 6.0 * std::sin(h / 4.0) + 0.1 * random_.normal();
            Reading r;
            r.time = day_one + Millis{1000 * second_};
            double const temperature_c = 18.0 + swing_c * std::sin(h / 5.0);
            auto const mg_l = held_mg_l ? std::optional{held_mg_l(h)} : frozen_mg_l;
            double const percent = mg_l ? 100.0 * *mg_l / saturation(temperature_c) : water;
            r.temperature_c = std::round(10.0 * temperature_c) / 10.0;
            r.do_percent = shows_percent.value_or(std::round(10.0 * percent) / 10.0);
            r.do_mg_l = r.do_percent / 100.0 * saturation(r.temperature_c);
            if (thermometer_broken) {
                r.temperature_c = -50.0;
                r.do_mg_l = not_read;
            }
            if (!thermometer_read) {
                r.temperature_c = r.do_mg_l = not_read;
            }
            bench_.site.take(0, r, bench_.heard);
        }
    }

private:
    static double saturation(double celsius) { return 14.0 - 0.25 * celsius; }

    Bench& bench_;
    physics::Random random_{7};
    std::int64_t second_ = 0;
};

}  // namespace

TEST_CASE(
    "a device that gives percent is stuck when its percent repeats, though mg/L move with the temperature",
    "[diagnosis][liveness]") {
    Bench bench;
    PercentDevice device{bench};
    device.run(72.0);
    CHECK_FALSE(bench.heard.ever(Reason::stuck));
    device.shows_percent = 78.4;
    device.run(8.0);
    auto const finding = bench.find(Reason::stuck);
    REQUIRE(finding);
    CHECK(finding->text.find("78.40 %") != std::string::npos);
    REQUIRE(finding->since);
    CHECK(std::abs(seconds_between(day_one + Millis{72 * 3'600'000}, *finding->since)) < 60.0);
}

TEST_CASE("a cell that is frozen behind a device that gives percent is stuck, though its percent moves",
          "[diagnosis][liveness]") {
    Bench bench;
    PercentDevice device{bench};
    device.run(72.0);
    CHECK_FALSE(bench.heard.ever(Reason::stuck));
    device.frozen_mg_l = 8.3;
    device.run(24.0);
    CHECK(bench.stands(Reason::stuck));
}

TEST_CASE("percent that moves as a thermometer alone would move it, and never did before, is stuck",
          "[diagnosis][liveness]") {
    bool const always = GENERATE(false, true);  // of a water that a controller holds, it always did
    CAPTURE(always);
    Bench bench;
    PercentDevice device{bench};
    device.thermometer_read = false;
    device.swing_c = 1.0;
    if (always) {
        device.held_mg_l = [](double) { return 8.3; };
    }
    device.run(72.0);
    CHECK_FALSE(bench.heard.ever(Reason::stuck));
    device.frozen_mg_l = 8.3;
    device.run(10.0);
    CHECK_FALSE(bench.heard.ever(Reason::stuck));
    device.run(8.0);
    CHECK(bench.stands(Reason::stuck) != always);
}

TEST_CASE("mg/L that go up and down by more than their percent and temperature round repeat nothing",
          "[diagnosis][liveness]") {
    double const swing = GENERATE(0.03, 0.01);  // rounding blurs 0.032 in all
    CAPTURE(swing);
    LivenessWatch watch;
    physics::Random random{3};
    for (int i = 0; i < 96 * 360; ++i) {
        double const h = i / 360.0;
        View view;
        view.time_ms = to_unix_ms(day_one) + std::int64_t{10'000} * i;
        view.saturation = 9.1;
        double const percent = std::round(900.0 + 60.0 * std::sin(h / 4.0) + random.normal()) / 10.0;
        double const held = 8.3 + swing * std::sin(h * 2.0 * std::numbers::pi / 1.5);
        view.value = h < 72.0 ? percent * 0.091 + 0.002 * random.normal() : held;
        view.given = {view.value, percent, not_read};
        watch.take(view);
    }
    CHECK(watch.stuck().has_value() == (swing < 0.016));
}

TEST_CASE("what is left of a blast in the readings raises no level of the water", "[diagnosis][liveness]") {
    bool const disturbed = GENERATE(true, false);
    CAPTURE(disturbed);
    LivenessWatch watch;
    for (int i = 0; i < 40 * 360; ++i) {
        bool const tail = i > 38 * 360 && i % 360 < 6;  // a minute of readings on their way back from air
        View view;
        view.time_ms = to_unix_ms(day_one) + std::int64_t{10'000} * i;
        view.saturation = 9.1;
        view.value = tail ? 8.0 : 6.0 + 0.01 * (i % 7);
        view.given = {view.value, not_read, not_read};
        watch.take(view, disturbed && tail);
        watch.close_hour(view.time_ms);
    }
    CHECK((watch.level_leap() > 1.1) != disturbed);
}

TEST_CASE("mg/L that a broken thermometer takes away repeat nothing", "[diagnosis][liveness]") {
    Bench bench;
    PercentDevice device{bench};
    device.run(72.0);
    device.held_mg_l = [](double) { return 8.3; };  // by chance, for a quarter of an hour
    device.run(0.25);
    device.held_mg_l = nullptr;
    device.thermometer_broken = true;
    device.run(12.0);
    CHECK_FALSE(bench.heard.ever(Reason::stuck));
}

TEST_CASE("a stuck output is told once, though its neighbour is without oxygen at times",
          "[diagnosis][liveness]") {
    Bench bench{2};
    bench.rig.probe(0).blasted = bench.rig.probe(1).blasted = false;
    bench.rig.water = [](double h) { return aired_water(h / 4.0); };  // without for two hours of four
    bench.run(72.0);
    bench.rig.probe(0).shows = 0.05;
    bench.run(48.0);
    auto const& found = bench.heard.found;
    CHECK(std::count_if(found.begin(), found.end(), [](auto const& f) {
              return f.place == 0 && f.finding.reason == Reason::stuck;
          }) == 1);
}

TEST_CASE("an output that repeats one value near zero is stuck and not dead", "[diagnosis][liveness]") {
    Bench bench{2};
    bench.run(72.0);
    bench.rig.probe(0).shows = 0.04;
    bench.run(16.0);
    CHECK(bench.stands(Reason::stuck));
    CHECK_FALSE(bench.heard.ever(Reason::no_signal));
}

TEST_CASE("blasts that a dead output does not show are not the cleaner's fault", "[diagnosis][liveness]") {
    double const shown = GENERATE(0.0, 6.1);
    CAPTURE(shown);
    Bench bench{2};
    bench.run(72.0);
    bench.rig.probe(0).shows = shown;
    bench.run(96.0);
    CHECK(bench.stands(shown == 0.0 ? Reason::no_signal : Reason::stuck));
    CHECK_FALSE(bench.heard.ever(Reason::cleaning_failed));
}

}  // namespace probekeeper::diagnosis::test

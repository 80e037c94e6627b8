// Probes in one water, told by formulas: a first-order lag behind what the membrane sees, and what wears.
// Simpler than the demonstration's physics on purpose: every number that a test expects can be worked out by
// hand.
#pragma once

#include <cmath>
#include <functional>
#include <numbers>
#include <optional>
#include <vector>

#include "base/reading.h"
#include "physics/random.h"

namespace probekeeper::diagnosis::test {

inline Timestamp const day_one = from_unix_ms(1'772'323'200'000);  // 2026-03-01T00:00:00Z
inline constexpr double saturation_20 = 9.092;                     // mg/L, fresh water at 20 degC and 1 atm

struct Knobs {
    double t90_s = 40.0;
    double noise = 0.01;  // white, mg/L, of each reading
    double resolution = 0.001;
    double gain = 1.0, offset = 0.0;
    double temperature_c = 20.0;
    std::optional<double> shows;  // this, whatever the water: stuck or dead
    bool silent = false;
    bool blasted = true;  // by the cleaner, declared by its bit
    bool blasts_reach = true;
    bool blasts_declared = true;
    double reach = 1.0;    // of the way to air, what a blast uncovers
    bool freezes = false;  // the output, while the probe is cleaned
    bool percent = true;   // the device gives it, and the temperature
    double pressure_hpa = not_read;
    bool in_air = false, hold = false;  // lifted; and whether a bit says so
};

class Rig {
public:
    using Take = std::function<void(std::size_t, Reading const&)>;

    explicit Rig(std::size_t probes, std::uint64_t seed = 1, double poll_s = 10.0)
        : knobs_(probes),
          state_(probes, -1.0),
          shown_(probes),
          random_{seed},
          poll_s_{static_cast<std::int64_t>(poll_s)} {}

    [[nodiscard]] Knobs& probe(std::size_t place) { return knobs_[place]; }
    [[nodiscard]] Timestamp now() const { return day_one + Millis{1000 * second_}; }
    [[nodiscard]] double hours() const { return static_cast<double>(second_) / 3600.0; }

    std::function<double(double hour)> water = [](double) { return 6.0; };  // mg/L
    std::function<bool(double hour)> aeration;                              // empty: no bit tells
    std::int64_t blast_every_s = 3 * 3600, blast_s = 60;                    // the cleaner of each probe

    // Readings of all probes that are not silent, in order of (time, place).
    void run(double for_hours, Take const& take) {
        auto const end = second_ + static_cast<std::int64_t>(std::llround(for_hours * 3600.0));
        while (second_ < end) {
            ++second_;
            double const outside = water(hours());
            for (std::size_t place = 0; place < knobs_.size(); ++place) {
                follow(place, outside);
                if (second_ % poll_s_ == 0 && !knobs_[place].silent) {
                    take(place, reading(place));
                }
            }
        }
    }

private:
    // The first comes 20 minutes after the begin, those of other probes 10 minutes behind each other, and
    // never in step with the polls.
    [[nodiscard]] bool blast(std::size_t place) const {
        auto const since = second_ - 1203 - static_cast<std::int64_t>(place) * 600;
        return knobs_[place].blasted && since >= 0 && since % blast_every_s < blast_s;
    }
    void follow(std::size_t place, double outside) {
        auto const& k = knobs_[place];
        bool const air = k.in_air || (blast(place) && k.blasts_reach);
        double const reach = k.in_air ? 1.0 : k.reach;
        double const seen = air ? outside + reach * (saturation_20 - outside) : outside;
        auto& state = state_[place];
        state = state < 0.0 ? seen : seen + (state - seen) * std::exp(-std::numbers::ln10 / k.t90_s);
    }
    [[nodiscard]] Reading reading(std::size_t place) {
        auto const& k = knobs_[place];
        double value = k.gain * state_[place] + k.offset + k.noise * random_.normal();
        value = k.shows.value_or(std::round(value / k.resolution) * k.resolution);
        value = k.freezes && blast(place) ? shown_[place] : value;
        shown_[place] = value;
        Reading r;
        r.time = now();
        r.do_mg_l = value;
        r.do_percent = k.percent ? 100.0 * value / saturation_20 : not_read;
        r.temperature_c = k.percent ? k.temperature_c : not_read;
        r.pressure_hpa = k.pressure_hpa;
        r.set(mark_cleaning, k.blasts_declared && blast(place));
        if (k.hold) {
            r.set(mark_hold, true);
        }
        if (aeration) {
            r.set(mark_aeration, aeration(hours()));
        }
        return r;
    }

    std::vector<Knobs> knobs_;
    std::vector<double> state_;
    std::vector<double> shown_;
    physics::Random random_;
    std::int64_t poll_s_;
    std::int64_t second_ = 0;
};

}  // namespace probekeeper::diagnosis::test

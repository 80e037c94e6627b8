// The level in air from blasts whose length nothing tells.
#pragma once

#include <cstdint>

#include "estimate/joint_filter.h"

namespace probekeeper::diagnosis {

// Blasts of a length that is off read too much by a part of their way, from the water to air. In water that
// comes near to saturation and goes away from it again they tell that part themselves, for where the water
// holds what the probe reads in air there is no way, however long they are. It is followed beside level and
// drift.
class WayLevel {
public:
    struct Known {
        double percent = 0.0, variance = 0.0;
        double ahead_percent = 0.0, ahead_variance = 0.0;  // if it goes on as it does
        // By how much of their way blasts read too much, and its variance.
        double part = 0.0, part_variance = 0.0;
    };

    // A blast that reads so many `percent` in air, `sigma` of it by chance, and its way there.
    void blast(std::int64_t time_ms, double percent, double way, double sigma);
    // The level leapt there. What is known of the blasts stays.
    void set_level(double percent, double variance);
    // Of another membrane or after a calibration: the cleaner stays what it is.
    void begin_anew();

    [[nodiscard]] double usual_way() const { return way_mean_; }
    [[nodiscard]] double percent() const { return filter_.mean(level); }
    [[nodiscard]] double part() const { return filter_.mean(part_off); }
    // Of water that never comes near to saturation, or has not yet gone far enough from it, blasts tell none.
    [[nodiscard]] bool tells() const;
    [[nodiscard]] Known known(double ahead_days) const;

private:
    static constexpr std::size_t level = 0, slope = 1, part_off = 2;
    using Filter = estimate::JointFilter<3>;  // percent; percent a day; a part of the way
    static void pass(Filter& filter, double days);
    void note_way(double way);
    [[nodiscard]] bool near_saturation() const;

    Filter filter_{};
    std::int64_t newest_ms_ = 0;
    double ways_ = 0.0, way_mean_ = 0.0, way_variance_ = 0.0;  // of the newest blasts; percent
    std::uint32_t seen_ = 0;                                   // since it began anew
};

}  // namespace probekeeper::diagnosis

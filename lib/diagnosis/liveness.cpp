#include "diagnosis/liveness.h"

#include <algorithm>
#include <array>
#include <cmath>

namespace probekeeper::diagnosis {
namespace {

constexpr std::int64_t minute = 60'000;
constexpr std::int64_t hour = 60 * minute;
constexpr double zero_part = 0.01;  // of saturation: what counts as zero
constexpr std::uint32_t fewest_repeats = 40;

}  // namespace

// What a gap cuts off still shows the water's habit - unless it was the fault itself.
void LivenessWatch::interrupt() {
    if (run_start_ms_ != 0 && !stuck()) {
        longest_run_ms_ = std::max(longest_run_ms_, last_ms_ - run_start_ms_);
    }
    bool const habit_known = zero_start_ms_ - first_ms_ > 48 * hour;
    if (zero_start_ms_ != 0 && !habit_known) {
        longest_zero_ms_ = std::max(longest_zero_ms_, last_ms_ - zero_start_ms_);
    }
    run_start_ms_ = zero_start_ms_ = high_start_ms_ = 0;
    run_count_ = 0;
    zero_leapt_ = false;
}

void LivenessWatch::follow_run(View const& view) {
    // Many transmitters freeze their output while they are cleaned: that counts for nothing. A value that is
    // still the same afterwards goes on.
    if (view.exposed) {
        return;
    }
    if (run_start_ms_ != 0 && view.value == run_value_) {
        ++run_count_;
        return;
    }
    if (run_start_ms_ != 0) {
        longest_run_ms_ = std::max(longest_run_ms_, last_ms_ - run_start_ms_);
        double const step = std::abs(view.value - run_value_);
        if (step > 1e-6 && (resolution_ == 0.0 || step < resolution_)) {
            resolution_ = step;
        }
    }
    run_start_ms_ = view.time_ms;
    run_value_ = view.value;
    run_count_ = 1;
}

void LivenessWatch::follow_zero(View const& view) {
    if (view.exposed) {
        return;
    }
    if (std::abs(view.value) < zero_part * view.saturation) {
        if (zero_start_ms_ == 0) {
            zero_start_ms_ = view.time_ms;
            zero_leapt_ = last_ms_ != 0 && last_value_ > 0.15 * view.saturation;
        }
        return;
    }
    if (zero_start_ms_ != 0) {
        longest_zero_ms_ = std::max(longest_zero_ms_, last_ms_ - zero_start_ms_);
        zero_start_ms_ = 0;
    }
}

void LivenessWatch::follow_high(View const& view) {
    double const part = view.value / view.saturation;
    if (view.exposed) {
        return;
    }
    hour_high_ = std::max(hour_high_, part);
    bool const high = part > 1.4 && usual_high_ > 0.0 && part > 1.35 * usual_high_;
    if (!high) {
        high_start_ms_ = 0;
    } else if (high_start_ms_ == 0) {
        high_start_ms_ = view.time_ms;
    }
}

void LivenessWatch::take(View const& view) {
    first_ms_ = first_ms_ == 0 ? view.time_ms : first_ms_;
    follow_run(view);
    follow_zero(view);
    follow_high(view);
    last_ms_ = view.time_ms;
    last_value_ = view.value;
}

void LivenessWatch::close_hour(std::int64_t now_ms) {
    if (now_ms - hour_ms_ < hour) {
        return;
    }
    hour_ms_ = now_ms;
    if (hour_high_ > 0.0 && high_start_ms_ == 0) {
        hourly_high_.push(static_cast<float>(hour_high_));
        std::array<float, 96> sorted{};
        for (std::size_t i = 0; i < hourly_high_.size(); ++i) {
            sorted[i] = hourly_high_[i];
        }
        auto const end = sorted.begin() + static_cast<std::ptrdiff_t>(hourly_high_.size());
        std::sort(sorted.begin(), end);
        usual_high_ =
            hourly_high_.size() < 24 ? 0.0 : static_cast<double>(*(end - 1 - (end - sorted.begin()) / 20));
    }
    hour_high_ = -1.0;
}

bool LivenessWatch::stuck() const {
    if (run_start_ms_ == 0 || run_count_ < fewest_repeats) {
        return false;
    }
    // A coarse reading in calm water repeats itself; only far beyond its habit is it stuck. Until two days
    // have shown the habit, half a day of one value is asked for.
    bool const habit_known = run_start_ms_ - first_ms_ > 48 * hour;
    auto const needed =
        habit_known ? std::max(hour, 5 * longest_run_ms_) : std::max(12 * hour, 5 * longest_run_ms_);
    return last_ms_ - run_start_ms_ > needed;
}

bool LivenessWatch::dead_zero(std::int64_t now_ms, double aerated_for_s) const {
    if (zero_start_ms_ == 0) {
        return false;
    }
    auto const held = now_ms - zero_start_ms_;
    bool const habit_known = zero_start_ms_ - first_ms_ > 48 * hour;
    if (!habit_known) {
        return false;
    }
    bool const aerated_long = aerated_for_s > 1800.0 && held > 30 * minute;
    bool const beyond_habit = held > std::max(hour, 4 * longest_zero_ms_);
    return beyond_habit && (zero_leapt_ || aerated_long || longest_zero_ms_ < 5 * minute);
}

double LivenessWatch::level_leap() const {
    if (usual_high_ <= 0.0 || hourly_high_.size() < 30) {
        return 0.0;
    }
    double highest = 0.0;
    for (std::size_t i = 0; i < 4; ++i) {
        highest = std::max(highest, static_cast<double>(hourly_high_.from_back(i)));
    }
    return highest / usual_high_;
}

bool LivenessWatch::leaking(std::int64_t now_ms) const {
    return high_start_ms_ != 0 && now_ms - high_start_ms_ > 3 * hour;
}

}  // namespace probekeeper::diagnosis

#include "diagnosis/habits.h"

#include <algorithm>
#include <cmath>

namespace probekeeper::diagnosis {
namespace {

// Fewer tell too little. Guesses.
constexpr std::uint32_t enough_moving = 40, enough_cleaning = 20, enough_zeros = 20, enough_highest = 12;
constexpr std::uint32_t enough_steps = 2000;
// At the end of a range all that lies beyond it is read alike. A smooth peak of the water that is read in
// steps has its highest one up to 1 / (sqrt(2) - 1) = 2.4 times as often as the next (a parabola, from its
// top).
constexpr std::uint32_t piles_up = 3;
constexpr double interval_gain = 0.01;
constexpr double forget = 1.0 - 1.0 / 20'000.0;  // of the noise: a day or two
// A reading within a blast that is so many usual steps from the one before it was not held: by itself water
// seldom goes so far from one poll to the next. So many blasts that showed it tell that the output goes on,
// if they are this part of all; of the usual size of a step so many tell. Guesses.
constexpr double leap_steps = 8.0;
constexpr std::uint32_t enough_leaps = 4, part_with_leap = 4, enough_usual_steps = 500;
// Noise below this many steps of resolution is hidden by the rounding.
constexpr double visible_noise = 1.5;

}  // namespace

void HabitsWatch::take(View const& view, Reading const& reading, double t90_s, bool disturbed) {
    known_ = static_cast<std::uint16_t>(known_ | reading.known);
    seen_on_ = static_cast<std::uint16_t>(seen_on_ | (reading.known & reading.marks));
    seen_off_ = static_cast<std::uint16_t>(seen_off_ | (reading.known & ~reading.marks));
    learn_ends(view.value);
    if (last_ms_ != 0) {
        learn_interval(static_cast<double>(view.time_ms - last_ms_) / 1000.0);
        learn_updates(view, t90_s);
        learn_leaps(view);
        learn_noise(view.value, disturbed);
    }
    exposed_ms_ = view.exposed ? view.time_ms : exposed_ms_;
    last_cleaning_ = view.cleaning;
    last_ms_ = view.time_ms;
    last_value_ = view.value;
}

void HabitsWatch::learn_interval(double s) {
    // A missed poll is no other interval.
    bool const first = interval_s_ == 0.0;
    if (first || s < 1.8 * interval_s_) {
        interval_s_ += (first ? 1.0 : interval_gain) * (s - interval_s_);
    }
}

void HabitsWatch::learn_updates(View const& view, double t90_s) {
    bool const same = view.value == last_value_;
    if (view.cleaning && last_cleaning_) {
        ++cleaning_;
        cleaning_same_ += same ? 1U : 0U;
    }
    bool const falling =
        !view.exposed && exposed_ms_ != 0 && static_cast<double>(view.time_ms - exposed_ms_) < 1000.0 * t90_s;
    if (falling) {
        ++moving_;
        moved_ += same ? 0U : 1U;
    }
}

// Polls as long as a blast never read two values within one, but the first of each tells, too, against the
// last one from the water.
void HabitsWatch::learn_leaps(View const& view) {
    bool const from_water = view.cleaning && exposed_ms_ != last_ms_;
    if (!from_water || steps_ < enough_usual_steps) {
        return;
    }
    ++blasts_;
    blasts_leapt_ += std::abs(view.value - last_value_) > leap_steps * usual_step() ? 1U : 0U;
}

double HabitsWatch::usual_step() const {
    double const kept = std::min(static_cast<double>(steps_), 1.0 / (1.0 - forget));
    return std::sqrt(step_square_ / kept);
}

void HabitsWatch::learn_ends(double value) {
    zeros_ += value == 0.0 ? 1U : 0U;
    below_zero_ += value < 0.0 ? 1U : 0U;
    if (value > highest_) {
        next_ = highest_;
        next_count_ = highest_count_;
        highest_ = value;
        highest_count_ = 1;
    } else if (value == highest_) {
        ++highest_count_;
    } else if (value > next_) {
        next_ = value;
        next_count_ = 1;
    } else if (value == next_) {
        ++next_count_;
    }
}

void HabitsWatch::learn_noise(double value, bool disturbed) {
    double const step = value - last_value_;
    if (disturbed) {
        last_step_ = 0.0;
        return;
    }
    if (last_step_ != 0.0 || steps_ > 0) {
        step_square_ = forget * step_square_ + step * step;
        step_product_ = forget * step_product_ + step * last_step_;
        ++steps_;
    }
    last_step_ = step;
}

std::optional<double> HabitsWatch::reading_interval_s() const {
    return interval_s_ > 0.0 ? std::optional{interval_s_} : std::nullopt;
}

std::optional<double> HabitsWatch::update_interval_s() const {
    if (moving_ < enough_moving || moved_ == 0) {
        return std::nullopt;
    }
    return interval_s_ * static_cast<double>(moving_) / static_cast<double>(moved_);
}

std::optional<bool> HabitsWatch::frozen_while_cleaning() const {
    if (cleaning_ < enough_cleaning) {
        bool const goes_on = blasts_leapt_ >= enough_leaps && blasts_leapt_ * part_with_leap >= blasts_;
        return goes_on ? std::optional{false} : std::nullopt;
    }
    return static_cast<double>(cleaning_same_) > 0.9 * static_cast<double>(cleaning_);
}

std::optional<bool> HabitsWatch::clips_at_zero() const {
    if (zeros_ + below_zero_ < enough_zeros) {
        return std::nullopt;
    }
    return below_zero_ == 0;
}

std::optional<double> HabitsWatch::clips_at() const {
    bool const piled = highest_count_ >= enough_highest && highest_count_ > piles_up * next_count_;
    return piled && highest_ > 0.0 ? std::optional{highest_} : std::nullopt;
}

std::optional<double> HabitsWatch::damping_s(double resolution) const {
    if (steps_ < enough_steps || usual_step() < visible_noise * resolution) {
        return std::nullopt;
    }
    double const phi = 1.0 + 2.0 * step_product_ / step_square_;
    if (phi < 0.1 || phi > 0.99) {
        return std::nullopt;
    }
    return -interval_s_ / std::log(phi);
}

BitHabit HabitsWatch::habit(Mark mark) const {
    if ((known_ & mark) == 0) {
        return BitHabit::not_read;
    }
    return (seen_on_ & seen_off_ & mark) != 0 ? BitHabit::moves : BitHabit::never_moves;
}

}  // namespace probekeeper::diagnosis

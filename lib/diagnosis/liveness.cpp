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
// Thermometers beside such cells give tenths of a degree (a guess), and near freezing, where it is most, each
// changes the saturation by 0.28 %.
constexpr double of_thermometer = 0.0028;
// Until a habit is known, a day and a half of one value is asked for where its steps are as coarse as this
// part of it: a controller may hold it there for a day. Guesses.
constexpr double coarse_part = 0.007;
constexpr std::int64_t held_at_first = 36 * hour;
// And afterwards so long: on a day when the water comes to rest such a reading does not move for hours. A
// guess.
constexpr std::int64_t coarse_rests = 12 * hour;
// What a thermometer alone moves goes by two steps of the output at most, in a range that days warm a water
// by, and rests for several times as long on each value as what comes from the water. Guesses.
constexpr double creep_steps = 2.0;
constexpr double thermal_part = 0.1;
constexpr double rests_longer = 3.0;
constexpr std::int64_t shortest_creep = 12 * hour;
constexpr std::int64_t beyond_creeps = 3;
// So often, and for so long in all, the air comes on in vain at a dead cell before it is called that, and so
// many times as often as this water ever stayed without oxygen through. Guesses.
constexpr std::uint32_t fewest_airs = 3;
constexpr double shortest_air_s = 1800.0;
// Works whose air fails have it again after a day or so: where nothing tells of the air, a cell that reads
// zero for longer, and for so many times as long as this water ever did, is dead. Guesses.
constexpr std::int64_t no_repair_takes = 36 * hour;
constexpr std::int64_t far_beyond = 10;

}  // namespace

std::int64_t LivenessWatch::Run::calm_before_ms() const {
    return calm_ms == 0 ? longest_calm_ms : std::max(longest_calm_ms, start_ms - calm_ms);
}

void LivenessWatch::Run::end_calm(std::int64_t last_ms) {
    longest_calm_ms = calm_ms == 0 ? longest_calm_ms : std::max(longest_calm_ms, last_ms - calm_ms);
    calm_ms = 0;
}

void LivenessWatch::Run::end(std::int64_t last_ms) {
    if (start_ms != 0) {
        longest_ms = std::max(longest_ms, last_ms - start_ms);
        end_calm(last_ms);
    }
    start_ms = calm_ms = 0;
    count = 0;
}

void LivenessWatch::Run::cut_off(std::int64_t last_ms) {
    auto const longest_before_ms = longest_ms;
    cut_off_ms = start_ms == 0 ? cut_off_ms : last_ms - start_ms;
    end(last_ms);
    longest_ms = longest_before_ms;
}

void LivenessWatch::Run::follow_calm(double reading, double tolerance, std::int64_t time_ms,
                                     std::int64_t last_ms) {
    double const low = std::min(lowest, reading), high = std::max(highest, reading);
    constexpr double rounding = 1e-6;
    if (calm_ms != 0 && high - low <= 2.0 * std::max(resolution, tolerance) + rounding) {
        lowest = low;
        highest = high;
        return;
    }
    end_calm(last_ms);
    calm_ms = time_ms;
    lowest = highest = reading;
}

void LivenessWatch::Creep::end(std::int64_t last_ms) {
    constexpr float remembered = 50'000.0F;  // readings; a guess
    longest_ms = start_ms == 0 ? longest_ms : std::max(longest_ms, last_ms - start_ms);
    usual_count += static_cast<float>(count);
    usual_changes += static_cast<float>(changes);
    float const kept = std::min(1.0F, remembered / std::max(usual_count, 1.0F));
    usual_count *= kept;
    usual_changes *= kept;
    start_ms = 0;
    count = changes = 0;
}

void LivenessWatch::Creep::take(double value, double resolution, std::int64_t time_ms, std::int64_t last_ms) {
    constexpr double rounding = 1e-5;
    double const step = std::abs(value - static_cast<double>(last));
    if (start_ms == 0 || step > creep_steps * resolution + rounding) {
        end(last_ms);
        start_ms = time_ms;
        least = most = static_cast<float>(value);
    }
    ++count;
    changes += step > rounding ? 1U : 0U;
    last = static_cast<float>(value);
    least = std::min(least, last);
    most = std::max(most, last);
}

bool LivenessWatch::only_creeps() const {
    auto const& c = creep_;
    bool const habit_known = c.start_ms - first_ms_ > 48 * hour;
    if (c.start_ms == 0 || !habit_known || zero_start_ms_ != 0) {
        return false;
    }
    bool const long_enough = last_ms_ - c.start_ms > std::max(shortest_creep, beyond_creeps * c.longest_ms);
    bool const thermal = static_cast<double>(c.most - c.least) < thermal_part * static_cast<double>(c.most);
    double const changes = static_cast<double>(c.changes) * static_cast<double>(c.usual_count);
    double const usual = static_cast<double>(c.usual_changes) * static_cast<double>(c.count);
    return long_enough && thermal && rests_longer * changes < usual;
}

// What a gap cuts off still shows the water's habit - unless it was the fault itself, as it is where the same
// value goes on after it.
void LivenessWatch::interrupt() {
    for (auto& run : runs_) {
        if (is_stuck(run)) {
            run.start_ms = run.calm_ms = 0;
        }
        run.cut_off(last_ms_);
    }
    creep_.start_ms = only_creeps() ? 0 : creep_.start_ms;
    creep_.end(last_ms_);
    bool const habit_known = zero_start_ms_ - first_ms_ > 48 * hour;
    if (zero_start_ms_ != 0 && !habit_known) {
        longest_zero_ms_ = std::max(longest_zero_ms_, last_ms_ - zero_start_ms_);
    }
    zero_start_ms_ = high_start_ms_ = 0;
    zero_leapt_ = false;
    airs_ = 0;
}

void LivenessWatch::new_life(std::int64_t now_ms) {
    life_ms_ = now_ms;
    for (auto& run : runs_) {
        run.longest_ms = run.longest_calm_ms = run.cut_off_ms = run.calm_ms = 0;
    }
}

void LivenessWatch::follow_run(Run& run, double value, double tolerance, std::int64_t time_ms) const {
    // What is no longer given repeats nothing.
    if (std::isnan(value)) {
        run.end(last_ms_);
        return;
    }
    // Near zero nothing moves with the temperature, and noise would pass for one value.
    bool const blurred = std::abs(run.most) > 10.0 * tolerance;
    double const least = std::min(run.least, value), most = std::max(run.most, value);
    if (run.start_ms != 0 && most - least <= (blurred ? tolerance : 0.0)) {
        run.least = least;
        run.most = most;
        ++run.count;
        return;
    }
    if (run.start_ms != 0) {
        run.longest_ms = std::max(run.longest_ms, last_ms_ - run.start_ms);
        double const step = std::max(value - run.least, run.most - value);
        if (step > 1e-6 && (run.resolution == 0.0 || step < run.resolution)) {
            run.resolution = step;
        }
    }
    bool const another = std::abs(value - run.most) > tolerance;
    run.longest_ms = another ? std::max(run.longest_ms, run.cut_off_ms) : run.longest_ms;
    run.cut_off_ms = 0;
    run.follow_calm(value, tolerance, time_ms, last_ms_);
    // Zeros repeat where a device clips, or is dead: follow_zero() judges them, and they are no habit.
    if (value == 0.0) {
        run.end_calm(last_ms_);
    }
    run.start_ms = value == 0.0 ? 0 : time_ms;
    run.least = run.most = value;
    run.count = 1;
}

void LivenessWatch::follow_runs(View const& view) {
    // Many transmitters freeze their output while they are cleaned: that counts for nothing. A value that is
    // still the same afterwards goes on.
    if (view.exposed) {
        return;
    }
    // What a device rounds in percent is blurred in mg/L by a step of it, and by one of the temperature that
    // it is worked out with: a cell frozen behind its transmitter's conversion repeats to within both.
    double const of_percent = runs_[1].resolution * view.saturation / 100.0;
    bool const in_percent = of_percent > 1.5 * runs_[0].resolution;
    double const mg_l_blur = in_percent ? of_percent + of_thermometer * std::abs(view.value) : 0.0;
    follow_run(runs_[0], view.given[0], mg_l_blur, view.time_ms);
    follow_run(runs_[1], view.given[1], 0.0, view.time_ms);
    follow_run(runs_[2], view.given[2], 0.0, view.time_ms);
    if (std::isnan(view.given[0]) && !std::isnan(view.given[1])) {
        creep_.take(view.given[1], runs_[1].resolution, view.time_ms, last_ms_);
    }
    saturation_ = view.saturation;
}

// Steps of what is worked out from the device's own quantity are as fine as the temperature's: the coarsest
// is the device's.
double LivenessWatch::resolution() const {
    return std::max(runs_[0].resolution, runs_[1].resolution * saturation_ / 100.0);
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
        most_airs_ = std::max(most_airs_, airs_);
        airs_ = 0;
    }
}

// Air that was on when the reading fell to zero may be a bit that tells nothing.
void LivenessWatch::follow_air(std::int64_t now_ms, std::int64_t on_since_ms) {
    auto const since_ms = std::max(on_since_ms, air_asked_ms_);
    air_asked_ms_ = now_ms;
    if (zero_start_ms_ == 0 || on_since_ms <= zero_start_ms_) {
        return;
    }
    if (airs_ == 0 || on_since_ms != air_ms_) {
        air_s_ = airs_ == 0 ? 0.0F : air_s_;
        air_ms_ = on_since_ms;
        ++airs_;
    }
    air_s_ += static_cast<float>(now_ms - since_ms) / 1000.0F;
}

bool LivenessWatch::aired_in_vain() const {
    return airs_ >= std::max(fewest_airs, fewest_airs * most_airs_) && air_s_ > shortest_air_s;
}

void LivenessWatch::follow_high(View const& view) {
    double const part = view.value / view.saturation;
    hour_high_ = std::max(hour_high_, part);
    bool const high = part > 1.4 && usual_high_ > 0.0 && part > 1.35 * usual_high_;
    if (!high) {
        high_start_ms_ = 0;
    } else if (high_start_ms_ == 0) {
        high_start_ms_ = view.time_ms;
    }
}

void LivenessWatch::take(View const& view, bool disturbed) {
    first_ms_ = first_ms_ == 0 ? view.time_ms : first_ms_;
    follow_runs(view);
    follow_zero(view);
    // What is left of a blast when the membrane is back in the water says nothing of the water.
    if (!disturbed) {
        follow_high(view);
    }
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

bool LivenessWatch::is_stuck(Run const& run) const {
    if (run.start_ms == 0 || run.count < fewest_repeats) {
        return false;
    }
    // A coarse reading in calm water repeats itself; only far beyond its habit is it stuck. Until two days
    // have shown the habit, half a day of one value is asked for; and near zero too, where water without
    // oxygen is calmer than this water ever was.
    auto const followed_ms = run.start_ms - std::max(first_ms_, life_ms_);
    bool const habit_known = followed_ms > 48 * hour;
    bool const near_zero = zero_start_ms_ != 0;
    bool const coarse = run.resolution <= 0.0 || run.resolution > coarse_part * std::abs(run.most);
    auto const at_first = coarse && !near_zero ? held_at_first : 12 * hour;
    auto const least = !habit_known || near_zero ? at_first : coarse ? coarse_rests : hour;
    // Where a week has shown how soon a held reading leaves its value all the same, what repeats for so many
    // times as long is stuck, however calm it ever was.
    bool const well_known = followed_ms > 168 * hour && !near_zero;
    auto const by_far = std::max(36 * hour, 40 * run.longest_ms);
    auto const calm = well_known ? std::min(run.calm_before_ms(), by_far) : run.calm_before_ms();
    return last_ms_ - run.start_ms > std::max({least, 5 * run.longest_ms, calm});
}

bool LivenessWatch::repeats_with_mg_l(std::size_t quantity) const {
    auto const& mg_l = runs_[0];
    auto const& run = runs_[quantity];
    bool const coarser = mg_l.resolution * std::abs(run.most) > 1.5 * run.resolution * std::abs(mg_l.most);
    return quantity != 0 && mg_l.start_ms != 0 && mg_l.start_ms <= run.start_ms && coarser;
}

std::optional<LivenessWatch::Stuck> LivenessWatch::stuck() const {
    static constexpr std::array<std::string_view, 3> units{"mg/L", "%", "hPa"};
    std::optional<Stuck> longest;
    for (std::size_t i = 0; i < runs_.size(); ++i) {
        bool const longer = !longest || runs_[i].start_ms < longest->since_ms;
        if (longer && !repeats_with_mg_l(i) && is_stuck(runs_[i])) {
            longest = Stuck{runs_[i].most, units[i], runs_[i].start_ms};
        }
    }
    if (!longest && only_creeps()) {
        longest = Stuck{static_cast<double>(creep_.last), units[1], creep_.start_ms, true};
    }
    return longest;
}

bool LivenessWatch::repeats_near_zero() const {
    return std::any_of(runs_.begin(), runs_.end(), [this](Run const& run) {
        bool const most_of_it = 2 * (last_ms_ - run.start_ms) > last_ms_ - zero_start_ms_;
        return run.start_ms != 0 && run.count >= fewest_repeats && most_of_it;
    });
}

bool LivenessWatch::dead_zero(Oxygen const& oxygen) const {
    if (zero_start_ms_ == 0) {
        return false;
    }
    auto const held = last_ms_ - zero_start_ms_;
    bool const habit_known = zero_start_ms_ - first_ms_ > 48 * hour;
    if (!habit_known) {
        return false;
    }
    bool const aerated_long = oxygen.aerated_for_s > 1800.0 && held > 30 * minute;
    // An open circuit gives noise about zero, or zero itself; one value near it is a stuck output.
    if (repeats_near_zero()) {
        return false;
    }
    bool const beyond_habit = held > std::max(hour, 4 * longest_zero_ms_);
    bool const by_far = oxygen.air_untold && held > std::max(no_repair_takes, far_beyond * longest_zero_ms_);
    return oxygen.blasted_in_vain || by_far || aired_in_vain() ||
           (beyond_habit && (zero_leapt_ || aerated_long || longest_zero_ms_ < 5 * minute));
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

#include "diagnosis/background.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

namespace probekeeper::diagnosis {
namespace {

constexpr double day_s = 86'400.0;
constexpr double window_days = 1.0;
// Works that seldom stop their air give a few plateaus a day: the newest of some days then speak together, if
// the last is not older than this. Residue grows by a hundredth or two meanwhile. Guesses.
constexpr double longest_window_days = 4.0, newest_within_days = 1.5;
constexpr std::size_t fewest_declared = 4;
constexpr double most_growth_a_day = 0.03;
// A floor that is no background worth a visit. A guess.
constexpr double hardly_any_mg_l = 0.1;
// Oxygen that does not run out for a time comes within a day and stays for days, up to a week. Residue grows.
// Guesses.
constexpr double leap_lasts_days = 6.0;
constexpr double least_leap = 0.08;
// And more than this, within hours, neither of them does. A guess.
constexpr double least_break = 0.25;
// What is newest, and what was before it, of a break.
constexpr std::int64_t hour_ms = 3'600'000;
constexpr std::int64_t newest_span_ms = 5 * hour_ms, before_from_ms = 48 * hour_ms,
                       before_to_ms = 6 * hour_ms;
constexpr std::size_t fewest_newest = 3;
constexpr std::size_t fewest_before = 6;  // spells of so long
// Without an aeration bit a flat low reading may be a controlled level: more plateaus must agree, lower.
constexpr std::size_t fewest_found = 8;
// No residue reads this much; water that stays here without aeration is not free of oxygen.
constexpr double highest_mg_l = 1.2;
// Water cannot hold less than no oxygen: below this a flat reading is the probe's own, whatever the aeration.
constexpr double impossible_mg_l = -0.15;
// A loose membrane moves with what passes it: where that is no oxygen it is as quiet as others. What moves
// more than this there is no plateau. A guess.
constexpr double most_noise_mg_l = 0.15;

// What plateaus that all agree leave open: the last oxygen that is left, and a cell's own wandering. A guess
// that the simulated plants bear out.
constexpr double least_error_mg_l = 0.0065;

std::int64_t ms(double s) {
    return static_cast<std::int64_t>(s * 1000.0);
}

// Of so many plateaus, of which so many are declared, how many must agree.
std::size_t fewest_of(std::size_t count, std::size_t declared) {
    return 2 * declared > count ? fewest_declared : fewest_found;
}

}  // namespace

struct BackgroundWatch::Levels {
    std::array<float, 160> sorted{};
    std::size_t count = 0;
    std::size_t declared = 0;
    std::int64_t first_ms = 0, last_ms = 0;
    [[nodiscard]] double at(double part) const {
        return static_cast<double>(sorted[static_cast<std::size_t>(part * static_cast<double>(count - 1))]);
    }
    // That part of them, and not one less, is at or below it.
    [[nodiscard]] double at_most(double part) const {
        auto const rank = static_cast<std::size_t>(std::ceil(part * static_cast<double>(count - 1)));
        return static_cast<double>(sorted[rank]);
    }
};

void BackgroundWatch::keep(std::int64_t time_ms) {
    plateaus_.push(
        {static_cast<std::uint32_t>(time_ms / 1000), static_cast<float>(run_level_), run_unaerated_});
    kept_ms_ = time_ms;
}

void BackgroundWatch::take(View const& view, double t90_guess_s, double noise, double resolution,
                           bool disturbed) {
    bool const impossible = view.value < impossible_mg_l;
    bool const may_be_anoxic = view.aerated != Aerated::on && !view.exposed;
    bool const eligible = (may_be_anoxic && view.value < highest_mg_l) || (impossible && !view.exposed);
    tolerance_ = std::max({0.03, std::min(3.0 * noise, most_noise_mg_l), 1.2 * resolution});
    // Noise that spans steps of the output averages them away; a quiet reading stays on one.
    rounding_ = noise < 0.5 * resolution ? resolution / std::sqrt(12.0) : 0.0;
    bool const broken = run_start_ms_ != 0 && (!eligible || std::abs(view.value - run_level_) > tolerance_);
    if (broken) {
        // A run that is long enough ends as a plateau, whether the water moved or the aeration came back.
        if (run_counts_ && (kept_ms_ == 0 || last_ms_ - kept_ms_ > ms(600.0))) {
            keep(last_ms_);
        }
        run_start_ms_ = 0;
    }
    last_ms_ = view.time_ms;
    if (!eligible || (disturbed && view.aerated == Aerated::unknown)) {
        return;
    }
    if (run_start_ms_ == 0) {
        run_start_ms_ = view.time_ms;
        run_level_ = view.value;
        kept_ms_ = 0;
        run_counts_ = false;
    }
    // Five time constants of a first-order probe are 2.2 times its T90.
    needed_s_ = std::max(120.0, 2.2 * t90_guess_s);
    run_level_ += (view.value - run_level_) * 0.1;
    run_unaerated_ = view.aerated == Aerated::off || impossible;
    run_counts_ = view.time_ms - run_start_ms_ >= ms(needed_s_);
    if (run_counts_ && view.time_ms - std::max(kept_ms_, run_start_ms_ + ms(needed_s_)) > ms(1800.0)) {
        keep(view.time_ms);
    }
}

BackgroundWatch::Levels BackgroundWatch::levels_between(std::int64_t from_ms, std::int64_t to_ms) const {
    Levels levels;
    for (std::size_t i = 0; i < plateaus_.size(); ++i) {
        auto const& p = plateaus_[i];
        auto const time_ms = std::int64_t{1000} * p.at_s;
        if (time_ms > from_ms && time_ms <= to_ms) {
            levels.first_ms = levels.count == 0 ? time_ms : levels.first_ms;
            levels.last_ms = time_ms;
            levels.declared += p.unaerated ? 1U : 0U;
            levels.sorted[levels.count++] = p.level;
        }
    }
    std::sort(levels.sorted.begin(), levels.sorted.begin() + static_cast<std::ptrdiff_t>(levels.count));
    return levels;
}

// Those of a day, or as many before them as it takes.
BackgroundWatch::Levels BackgroundWatch::newest_levels(std::int64_t now_ms) const {
    auto from_ms = now_ms - ms(window_days * day_s);
    std::size_t count = 0, declared = 0;
    for (std::size_t i = 0; i < plateaus_.size(); ++i) {
        auto const& p = plateaus_.from_back(i);
        auto const time_ms = std::int64_t{1000} * p.at_s;
        if (time_ms > now_ms) {
            continue;
        }
        bool const enough = count >= fewest_of(count, declared);
        if (now_ms - time_ms > ms(longest_window_days * day_s) || (time_ms <= from_ms && enough)) {
            break;
        }
        ++count;
        declared += p.unaerated ? 1U : 0U;
        from_ms = std::min(from_ms, time_ms - 1);
    }
    return levels_between(from_ms, now_ms);
}

// Oxygen that is left only adds. So a low floor that half of them reach says that the probe adds no more,
// whatever the others hold. A higher one is the probe's own where nearly all of them reach it: residue raises
// all alike, and oxygen that stays moves with the load.
bool BackgroundWatch::agree(Levels const& levels) const {
    // Below zero there is no oxygen that they could disagree about: the probe itself wanders.
    if (levels.at(0.75) < impossible_mg_l) {
        return true;
    }
    double const low = levels.at(0.05);
    if (levels.at(0.5) - low > std::max(0.06, tolerance_)) {
        return false;
    }
    double const days = static_cast<double>(levels.last_ms - levels.first_ms) / (1000.0 * day_s);
    double const grown = most_growth_a_day * std::max(0.0, days - window_days);
    double const steps = std::sqrt(12.0) * rounding_;
    bool const nearly_all = levels.at_most(0.75) - low <= std::max(0.05, steps) + grown &&
                            levels.at_most(0.9) - low <= std::max(0.08, steps) + grown;
    return nearly_all || std::abs(levels.at(0.25)) < hardly_any_mg_l;
}

bool BackgroundWatch::enough(Levels const& levels, std::int64_t now_ms) {
    return levels.count >= fewest_of(levels.count, levels.declared) &&
           levels.last_ms - levels.first_ms >= ms(window_days * day_s / 4.0) &&
           now_ms - levels.last_ms <= ms(newest_within_days * day_s);
}

// Residue stays and grows slowly: what was clearly lower some days ago is a level that the air held, where no
// bit tells that it was off.
bool BackgroundWatch::was_lower(double level, std::int64_t now_ms) const {
    constexpr double days = 4.0, clearly = 0.1;  // guesses
    auto const lately = levels_between(now_ms - ms(days * day_s), now_ms);
    return lately.at(0.05) < level - clearly - days * most_growth_a_day;
}

std::optional<Floor> BackgroundWatch::floor(std::int64_t now_ms) const {
    auto const levels = newest_levels(now_ms);
    if (!enough(levels, now_ms) || !agree(levels)) {
        return std::nullopt;
    }
    Floor floor;
    floor.level = levels.at(0.25);
    floor.error = std::hypot(std::max(least_error_mg_l, 0.3 * (levels.at(0.5) - levels.at(0.05))), rounding_);
    floor.plateaus = levels.count;
    floor.at_ms = levels.last_ms;
    bool const leapt = leapt_ms_ != 0 && now_ms - leapt_ms_ < ms(leap_lasts_days * day_s);
    bool const untold = 2 * levels.declared <= levels.count;
    floor.sudden = leapt || (untold && was_lower(floor.level, now_ms));
    return floor;
}

void BackgroundWatch::forget_since(std::int64_t time_ms) {
    while (!plateaus_.empty() && std::int64_t{1000} * plateaus_.back().at_s >= time_ms) {
        plateaus_.drop_back();
    }
    interrupt();
}

// Whether they agree or not: oxygen that stays moves with the load.
void BackgroundWatch::watch_for_leap(std::int64_t now_ms) {
    auto const newest = newest_levels(now_ms);
    if (!enough(newest, now_ms)) {
        return;
    }
    double const level = std::abs(newest.at(0.25));
    if (leapt_ms_ != 0 && level < static_cast<double>(before_leap_) + 0.5 * least_leap) {
        leapt_ms_ = 0;  // what came has gone, and what is left was there before
    }
    auto const window = ms(window_days * day_s);
    auto before = levels_between(now_ms - 5 * window / 2, now_ms - window);
    if (before.count < fewest_declared) {
        before = newest_levels(now_ms - window);
    }
    if (before.count < fewest_declared) {
        return;
    }
    double const rise = level - std::abs(before.at(0.25));
    if (rise > std::max(least_leap, 0.5 * level)) {
        before_leap_ = leapt_ms_ == 0 ? static_cast<float>(level - rise) : before_leap_;
        leapt_ms_ = now_ms;
    }
}

double BackgroundWatch::lowest(std::int64_t now_ms) const {
    auto const newest = levels_between(now_ms - newest_span_ms, now_ms);
    return newest.count < fewest_newest ? std::numeric_limits<double>::quiet_NaN() : newest.at(0.0);
}

double BackgroundWatch::leap(std::int64_t now_ms) const {
    // Lowest against lowest: without a bit, air that holds a level leaves plateaus, too.
    double before = -std::numeric_limits<double>::infinity();
    std::size_t known = 0;
    for (auto at_ms = now_ms - before_to_ms; at_ms - newest_span_ms >= now_ms - before_from_ms;
         at_ms -= newest_span_ms / 2) {
        double const low = lowest(at_ms);
        before = std::isnan(low) ? before : std::max(before, low);
        known += std::isnan(low) ? 0U : 1U;
    }
    if (known < fewest_before) {
        return 0.0;
    }
    double const leap = lowest(now_ms) - before;
    return leap > least_break ? leap : 0.0;  // NaN, too
}

std::string_view BackgroundWatch::why_unknown(std::int64_t now_ms) const {
    auto const levels = newest_levels(now_ms);
    if (levels.count == 0) {
        return "the water was not seen free of oxygen in the last days, and no dry zero check is on record";
    }
    if (levels.count >= fewest_declared && !agree(levels)) {
        return "the lowest readings do not agree with each other, so they may be real oxygen";
    }
    return "too few spells without oxygen in the last days";
}

}  // namespace probekeeper::diagnosis

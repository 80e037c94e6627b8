#include "diagnosis/fluctuation.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <limits>
#include <numbers>
#include <span>

#include "estimate/robust.h"

namespace probekeeper::diagnosis {
namespace {

constexpr std::int64_t hour = 3'600'000;
constexpr int lowest_log2 = -14;
constexpr std::uint32_t fewest_blocks = 24;
// Times the upper quartile: of normal noise one in 250 is further.
constexpr double far_bend = 2.5;
constexpr double a_day = 24.0;  // hours
constexpr std::size_t fewest_hours = 6;
// Where no new membrane was seen, this part of the days seen so far was quieter than what counts as usual:
// the quietest of all may have been a day without wind or work. A guess.
constexpr double quieter_part = 0.3;
constexpr std::size_t fewest_days = 2;
// A slow membrane hides much of the water's movement, and the new one after it shows that. More than this
// many times what the old one showed is its own. A guess.
constexpr double most_for_new = 3.0;
// Transmitters and cells have a noise of their own from one reading to the next; where these are closer than
// so, means of two are taken. A guess.
constexpr double quickest_s = 10.0;
// What the water does comes through the membrane, and is smoother than what arises behind it: over one
// reading it grows by at most so much of what it grows by over four, as squares. Looseness shows nearly as
// much over either, as if `loose_smooth` were its own part. Both guesses, that fit any response slower than
// the polls.
constexpr double water_smooth = 0.5, loose_smooth = 0.56;
// Of the squares of what has come: of so much, all came from a loose membrane, and of livelier water hardly
// ever more than two thirds seem to. A guess that the simulated plants bear out.
constexpr double nearly_all = 0.8;
// Of what flutters at a lower level than usual, so many times are believed. A guess.
constexpr double most_by_level = 2.0;
// No water becomes more than so many times as lively and stays so for a day. A guess.
constexpr double most_lively = 4.0;
// A membrane that wears does so over days; one that is pierced moves this many times as much within hours.
constexpr double leap = 2.5;
// Hours that show nothing of the membrane, since the air's bit is not read or there are no readings, hide a
// leap no longer than this: then the water may be another. A guess.
constexpr double longest_gap_hours = 48.0;
// A storm, a night without load, or aerators that help out pass within so long; a hole stays. A guess.
constexpr double long_leap_hours = 12.0;

// A reading that rests on one step of its output moves by no more than so much of it. Of one that lies
// between two it shows half a step at most, whatever is behind that: three times this is more. A guess.
constexpr double least_of_step = 0.2;

// Four to an octave, told by the bits of the number: a logarithm of each reading would cost more than all
// else here.
std::size_t bin_of(double magnitude) {
    constexpr double quarter = 1.189207115002721, half = std::numbers::sqrt2, three = 1.681792830507429;
    constexpr std::uint64_t fraction = (std::uint64_t{1} << 52) - 1;
    auto const bits = std::bit_cast<std::uint64_t>(std::max(magnitude, 1e-9));
    int const octave = static_cast<int>(bits >> 52) - 1023;
    auto const within =
        std::bit_cast<double>((bits & fraction) | std::bit_cast<std::uint64_t>(1.0));  // 1 to 2
    int const part = (within >= quarter ? 1 : 0) + (within >= half ? 1 : 0) + (within >= three ? 1 : 0);
    return static_cast<std::size_t>(std::clamp(4 * (octave - lowest_log2) + part, 0, 63));
}

double middle_of(std::size_t bin) {
    return std::exp2(lowest_log2 + (static_cast<double>(bin) + 0.5) / 4.0);
}

}  // namespace

bool FluctuationWatch::Gained::nearly_all_flutters() const {
    return flutter * flutter > nearly_all * all * all;
}

void FluctuationWatch::add(Scale& scale, std::uint32_t length, double value) {
    scale.block_sum += value;
    if (++scale.in_block < length) {
        return;
    }
    double const mean = scale.block_sum / length;
    scale.block_sum = 0.0;
    scale.in_block = 0;
    if (scale.blocks >= 2) {
        double const bend = std::abs(mean - 2.0 * scale.last[1] + scale.last[0]);
        auto& count = scale.counts[bin_of(bend)];
        count = static_cast<std::uint16_t>(std::min<std::uint32_t>(count + 1U, 65535U));
        ++scale.total;
    }
    scale.last[0] = scale.last[1];
    scale.last[1] = mean;
    scale.blocks = std::min<std::uint32_t>(scale.blocks + 1, 2);
}

void FluctuationWatch::take(View const& view, bool disturbed) {
    // Near zero there is nothing to fluctuate: a worn membrane scales what passes through it.
    if (disturbed || view.value < 0.05 * view.saturation) {
        for (auto& scale : scales_) {
            scale.blocks = scale.in_block = 0;
            scale.block_sum = 0.0;
        }
        return;
    }
    hour_squares_ += static_cast<float>(view.value * view.value);
    ++hour_count_;
    std::uint32_t length = 1;
    for (auto& scale : scales_) {
        add(scale, length, view.value);
        length *= 2;
    }
}

void FluctuationWatch::interrupt() {
    for (auto& scale : scales_) {
        scale.blocks = scale.in_block = 0;
        scale.block_sum = 0.0;
    }
}

double FluctuationWatch::upper_quartile(Scale const& scale) {
    double const wanted = 0.75 * scale.total;
    double seen = 0.0;
    for (std::size_t i = 0; i < bins; ++i) {
        if (seen + scale.counts[i] >= wanted) {
            double const part = scale.counts[i] == 0 ? 0.5 : (wanted - seen) / scale.counts[i];
            return std::exp2(lowest_log2 + (static_cast<double>(i) + part) / 4.0);
        }
        seen += scale.counts[i];
    }
    return middle_of(bins - 1);
}

// Root mean square, with what is far beyond the upper quartile counted as if it were no further. The quartile
// alone would go by whole steps of an output that rounds: a little more movement, and it doubles.
double FluctuationWatch::typical_bend(Scale const& scale, double resolution) {
    double const furthest = far_bend * std::max(upper_quartile(scale), resolution);
    double squares = 0.0;
    for (std::size_t i = 0; i < bins; ++i) {
        double const magnitude = std::min(middle_of(i), furthest);
        squares += scale.counts[i] * magnitude * magnitude;
    }
    return std::sqrt(squares / scale.total);
}

void FluctuationWatch::close_hour(std::int64_t now_ms, double resolution, double poll_s) {
    if (hour_ms_ == 0) {
        hour_ms_ = now_ms;
    }
    if (now_ms - hour_ms_ < hour) {
        return;
    }
    hour_ms_ = now_ms;
    base_ = poll_s < quickest_s ? 1 : 0;
    double const rounded = std::max(0.001, 0.3 * resolution);
    double const least = std::max(0.001, least_of_step * resolution);
    double log_sum = 0.0;
    std::size_t known = 0;
    Hour closed{.end_ms = now_ms};
    for (std::size_t i = 0; i < scales; ++i) {
        auto& scale = scales_[i];
        if (scale.total >= fewest_blocks >> std::min<std::size_t>(i, 2)) {
            double const sigma = typical_bend(scale, resolution) / estimate::second_difference_gain;
            log_sum += std::log(std::max(sigma, rounded));
            closed.by_scale[i] = static_cast<float>(std::max(sigma, least));
            noise_ = i == 0 ? 0.9 * noise_ + 0.1 * std::max(sigma, rounded) : noise_;
            ++known;
        }
        scale.counts.fill(0);
        scale.total = 0;
    }
    if (known < 3) {
        hour_squares_ = 0.0F;
        hour_count_ = 0;
        return;
    }
    follow_level();
    closed.value = static_cast<float>(std::exp(log_sum / static_cast<double>(known)));
    hours_.push(closed);
    at_ms_ = now_ms;
    watch_for_leap();
    auto const day = scales_between(0.0, a_day, fewest_hours);
    learn(day, now_ms);
    compare(day);
}

void FluctuationWatch::new_life(std::int64_t now_ms, bool fresh) {
    auto const usual = fresh_by_scale();
    most_fresh_ = fresh ? scales_between(0.0, a_day, fewest_hours) : ByScale{};
    for (std::size_t i = 0; i < scales; ++i) {
        most_fresh_[i] =
            most_for_new * (usual[i] > 0.0 ? std::min(usual[i], most_fresh_[i]) : most_fresh_[i]);
    }
    hours_.clear();
    leapt_ms_ = 0;
    life_ms_ = now_ms;
    life_known_ = fresh;
    fresh_learned_ = false;
    fresh_ = {};
    days_.clear();
    day_ms_ = 0;
    today_.reset();
    grows_ = 1.0;
    fresh_value_.reset();
    before_value_.reset();
    gained_.reset();
    today_error_ = unknown_error;
}

// Fresh: the first days of a new membrane, once it has settled. Without a recorded change only the quieter
// days seen can stand in for it: the fresh value was at most that, if the water was as calm.
void FluctuationWatch::learn(ByScale const& day, std::int64_t now_ms) {
    if (std::all_of(day.begin(), day.end(), [](double value) { return value == 0.0; })) {
        return;
    }
    if (now_ms - day_ms_ >= 24 * hour) {
        std::array<float, scales> kept{};
        std::transform(day.begin(), day.end(), kept.begin(), [](double v) { return static_cast<float>(v); });
        days_.push(kept);
        day_ms_ = now_ms;
        if (!fresh_learned_) {
            auto const days = static_cast<float>(std::min<std::size_t>(days_.size(), 10));
            usual_squares_ += (level_squares_ - usual_squares_) / days;
        }
    }
    if (life_known_ && !fresh_learned_ && now_ms - life_ms_ > 36 * hour) {
        fresh_ = day;
        for (std::size_t i = 0; i < scales; ++i) {
            fresh_[i] = most_fresh_[i] > 0.0 ? std::min(day[i], most_fresh_[i]) : day[i];
        }
        fresh_learned_ = now_ms - life_ms_ < 120 * hour;
        life_known_ = fresh_learned_;
        usual_squares_ = level_squares_;
    }
}

std::span<double> FluctuationWatch::hours_of(std::size_t scale, double from, double to, Hours& kept) const {
    std::size_t n = 0;
    for (std::size_t i = 0; i < hours_.size(); ++i) {
        auto const& h = hours_.from_back(i);
        double const age = age_h(h);
        if (age >= from && age < to && h.by_scale[scale] > 0.0F) {
            kept[n++] = static_cast<double>(h.by_scale[scale]);
        }
    }
    return {kept.data(), n};
}

double FluctuationWatch::typical_of(std::size_t scale, double from, double to, std::size_t fewest) const {
    Hours kept{};
    auto const hours = hours_of(scale, from, to, kept);
    return hours.size() < fewest ? 0.0 : estimate::median_inplace(hours);
}

FluctuationWatch::ByScale FluctuationWatch::scales_between(double from, double to, std::size_t fewest) const {
    ByScale typical{};
    for (std::size_t scale = 0; scale < scales; ++scale) {
        typical[scale] = typical_of(scale, from, to, fewest);
    }
    return typical;
}

FluctuationWatch::ByScale FluctuationWatch::fresh_by_scale() const {
    if (fresh_learned_) {
        return fresh_;
    }
    ByScale fresh{};
    for (std::size_t scale = 0; scale < scales; ++scale) {
        std::array<double, 32> kept{};
        std::size_t n = 0;
        for (std::size_t i = 0; i < days_.size(); ++i) {
            kept[n] = static_cast<double>(days_[i][scale]);
            n += kept[n] > 0.0 ? 1U : 0U;
        }
        fresh[scale] =
            n < fewest_days ? 0.0 : estimate::quantile_inplace(std::span{kept.data(), n}, quieter_part);
    }
    return fresh;
}

// Where a reading moves more from day to day, the median of its last day is what it was half a day ago - as
// far as its newest half bears that out: what has leapt and stays grows no further.
double FluctuationWatch::growth_of(ByScale const& day) const {
    constexpr double borne_out = 1.1;  // a guess
    double const yesterday = typical_of(base_, a_day, 2.0 * a_day, fewest_hours);
    double const grown =
        yesterday > 0.0 ? 1.0 + 0.5 * std::clamp(1.0 - yesterday / day[base_], 0.0, 1.0) : 1.0;
    double const newest = typical_of(base_, 0.0, 0.5 * a_day, 1);
    return std::min(grown, std::max(1.0, borne_out * newest / day[base_]));
}

// Movements of different origin add up in their squares.
FluctuationWatch::Gained FluctuationWatch::gained_of(ByScale const& day, ByScale const& fresh) const {
    auto const gained = [&](std::size_t scale) {
        bool const known = day[scale] > 0.0 && fresh[scale] > 0.0;
        return known ? std::max(0.0, day[scale] * day[scale] - fresh[scale] * fresh[scale]) : 0.0;
    };
    // Livelier, it keeps its shape: of what it showed over four readings, no more came from each to the next.
    double const before = fresh[base_ + 2] * fresh[base_ + 2];
    double const shape = before > 0.0 ? fresh[base_] * fresh[base_] / before : water_smooth;
    double const part = std::min(shape, water_smooth);
    double const quick = gained(base_);
    double const by_water = std::min(gained(base_ + 2), (most_lively * most_lively - 1.0) * before);
    double const loose = (quick - part * by_water) / (1.0 - part * loose_smooth);
    Gained g{std::sqrt(quick), std::sqrt(std::clamp(loose, 0.0, quick))};
    g.at_usual_level = g.flutter;
    if (g.nearly_all_flutters() && level_squares_ > 0.0F) {
        double const lower = std::sqrt(static_cast<double>(usual_squares_ / level_squares_));
        g.at_usual_level *= std::clamp(lower, 1.0, most_by_level);
    }
    return g;
}

void FluctuationWatch::compare(ByScale const& day) {
    auto const fresh = fresh_by_scale();
    bool const known = day[base_] > 0.0 && fresh[base_] > 0.0;
    today_ = day[base_] > 0.0 ? std::optional{day[base_]} : std::nullopt;
    grows_ = today_ ? growth_of(day) : 1.0;
    fresh_value_ = known ? std::optional{fresh[base_]} : std::nullopt;
    ByScale now{};
    std::transform(day.begin(), day.end(), now.begin(), [this](double v) { return v * grows_; });
    gained_ = known ? std::optional{gained_of(now, fresh)} : std::nullopt;
    today_error_ = known ? error_of(base_) : unknown_error;
    bool const bounded = known && fresh_learned_ && fresh_[base_] == most_fresh_[base_];
    before_value_ = bounded ? std::optional{most_fresh_[base_] / most_for_new} : std::nullopt;
}

// Of the hours that tell the movement, so that the two belong together.
void FluctuationWatch::follow_level() {
    constexpr float of_a_day = 1.0F / 16.0F;  // hours: what was an hour ago counts as one of so many
    float const mean = hour_squares_ / static_cast<float>(std::max(hour_count_, 1U));
    level_squares_ += level_squares_ > 0.0F ? of_a_day * (mean - level_squares_) : mean;
    hour_squares_ = 0.0F;
    hour_count_ = 0;
}

double FluctuationWatch::error_of(std::size_t scale) const {
    Hours kept{};
    auto const hours = hours_of(scale, 0.0, a_day, kept);
    if (hours.size() < fewest_hours) {
        return unknown_error;
    }
    std::transform(hours.begin(), hours.end(), hours.begin(), [](double v) { return std::log(v); });
    double const middle = estimate::median_inplace(hours);
    std::transform(hours.begin(), hours.end(), hours.begin(),
                   [middle](double v) { return std::abs(v - middle); });
    double const sigma = estimate::mad_to_sigma * estimate::median_inplace(hours);
    // Hours follow each other's weather; a day of them is worth about eight that do not.
    return std::max(0.05, 1.2533 * sigma / std::sqrt(8.0));
}

double FluctuationWatch::age_h(Hour const& h) const {
    return static_cast<double>(at_ms_ - h.end_ms) / static_cast<double>(hour);
}

double FluctuationWatch::hours_between(double from, double to, std::size_t fewest) const {
    std::array<double, 48> kept{};
    std::size_t n = 0;
    for (std::size_t i = 0; i < hours_.size(); ++i) {
        auto const& h = hours_.from_back(i);
        double const age = age_h(h);
        if (age >= from && age < to) {
            kept[n++] = static_cast<double>(h.value);
        }
    }
    return n < fewest ? 0.0 : estimate::median_inplace(std::span{kept.data(), n});
}

double FluctuationWatch::known_before(double age) const {
    for (std::size_t i = 0; i < hours_.size(); ++i) {
        double const known_h = age_h(hours_.from_back(i));
        if (known_h >= age) {
            return known_h;
        }
    }
    return std::numeric_limits<double>::quiet_NaN();
}

double FluctuationWatch::hours_before(double age, double span, std::size_t fewest) const {
    double const known_h = known_before(age);
    return known_h - age < longest_gap_hours ? hours_between(known_h, known_h + span, fewest) : 0.0;
}

void FluctuationWatch::watch_for_leap() {
    double const newest = hours_between(0.0, 3.5, 3);
    double const before = hours_before(5.5, 24.5, 8);
    // One that wears by the hour has moved more than that just before, too.
    double const just_before = hours_before(4.5, 6.0, 3);
    if (leapt_ms_ == 0 && newest > leap * std::max(before, just_before) && before > 0.0) {
        leapt_ms_ = at_ms_ - 3 * hour;
        before_leap_ = before;
        auto const known_h = known_before(5.5);
        auto const by_scale = scales_between(known_h, known_h + 24.5, 1);
        std::transform(by_scale.begin(), by_scale.end(), before_leap_by_scale_.begin(),
                       [](double v) { return static_cast<float>(v); });
    } else if (leapt_ms_ != 0 && newest > 0.0 && newest < 0.6 * leap * before_leap_) {
        leapt_ms_ = 0;
    }
}

double FluctuationWatch::leapt_for_long() const {
    double const age = static_cast<double>(at_ms_ - leapt_ms_) / static_cast<double>(hour);
    return leapt_ms_ == 0 || age < long_leap_hours ? 0.0
                                                   : hours_between(0.0, age, fewest_hours) / before_leap_;
}

FluctuationWatch::ByScale FluctuationWatch::before_leap() const {
    ByScale before{};
    std::copy(before_leap_by_scale_.begin(), before_leap_by_scale_.end(), before.begin());
    return before;
}

double FluctuationWatch::flutters(ByScale const& since, ByScale const& before) const {
    return std::hypot(1.0, gained_of(since, before).flutter / before[base_]);
}

double FluctuationWatch::flutters_since_leap() const {
    auto const before = before_leap();
    if (leapt_ms_ == 0 || before[base_] <= 0.0) {
        return 0.0;
    }
    double const age = static_cast<double>(at_ms_ - leapt_ms_) / static_cast<double>(hour);
    return flutters(scales_between(0.0, age, 1), before);
}

bool FluctuationWatch::loosened(ByScale const& before) const {
    constexpr double clearly_more = 1.5;  // a guess
    auto const fresh = fresh_by_scale();
    bool const more = fresh[base_] > 0.0 && before[base_] > clearly_more * fresh[base_];
    return more && gained_of(before, fresh).nearly_all_flutters();
}

bool FluctuationWatch::loosened_before_leap() const {
    return leapt_ms_ != 0 && loosened(before_leap());
}

FluctuationWatch::Grown FluctuationWatch::grown_since(std::int64_t from_ms) const {
    double const age = static_cast<double>(at_ms_ - from_ms) / static_cast<double>(hour);
    auto const since = scales_between(0.0, age, fewest_hours);
    auto const before = scales_between(age, age + a_day, fewest_hours);
    if (since[base_] <= 0.0 || before[base_] <= 0.0) {
        return {};
    }
    return {since[base_] / before[base_], flutters(since, before), loosened(before)};
}

double FluctuationWatch::risen_since(std::int64_t from_ms) const {
    double const age = static_cast<double>(at_ms_ - from_ms) / static_cast<double>(hour);
    double const since = hours_between(0.0, age, 2), before = hours_before(age, 24.0, 8);
    return before > 0.0 ? since / before : 0.0;
}

double FluctuationWatch::leapt() const {
    return leapt_ms_ == 0 ? 0.0 : hours_between(0.0, 3.5, 1) / before_leap_;
}

}  // namespace probekeeper::diagnosis

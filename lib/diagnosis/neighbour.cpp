#include "diagnosis/neighbour.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <span>

#include "diagnosis/response.h"
#include "estimate/robust.h"

namespace probekeeper::diagnosis {
namespace {

constexpr std::size_t fewest_bins = 20, most_bins = 64;
// The movement must exceed what the two do not share by so much, in the variance of the derivative, or that
// would pass for movement at rest and make the lag small; and the lag be known to so much. By trying them on
// simulated pairs.
constexpr double least_movement = 2.0;
constexpr double worst_error_s = 15.0;
// Of what the slower one shows, so much at least the other must show, too. An output that rests on one of its
// steps all the hour shows none of it, which a gain would explain without any lag. A guess.
constexpr double least_gain = 0.3;
// Hours together: so many at least, no older than this.
constexpr std::size_t fewest_hours = 4;
constexpr std::int64_t last_for_s = 36 * 3600;
// What no number of hours averages away: the water beside one probe is not quite that beside the other, and
// neither responds as a pure lag. A guess.
constexpr double model_error = 0.05;

double square(double x) {
    return x * x;
}

// Index of the last sample that is not after `at_ms`; the first where all are.
std::size_t last_until(Samples const& samples, std::int64_t at_ms) {
    std::size_t low = 0, high = samples.size();
    while (high - low > 1) {
        auto const middle = low + (high - low) / 2;
        (samples[middle].time_ms <= at_ms ? low : high) = middle;
    }
    return low;
}

// The means over bins of the straight lines between samples; false where these do not reach so far.
bool means(Samples const& samples, std::int64_t from_ms, double bin_s, std::span<double> bins) {
    auto const point = [&](std::size_t i) {
        auto const& s = samples[i];
        return FitPoint{static_cast<double>(s.time_ms - from_ms) / 1000.0, static_cast<double>(s.value)};
    };
    std::size_t next = last_until(samples, from_ms) + 1;
    auto before = point(next - 1);
    if (before.t_s > 0.0 || next == samples.size()) {
        return false;
    }
    auto after = point(next);
    double at = 0.0, end = 0.0;
    for (auto& bin : bins) {
        end += bin_s;
        double sum = 0.0;
        while (at < end) {
            double const slope = (after.value - before.value) / (after.t_s - before.t_s);
            double const until = std::min(end, after.t_s);
            sum += (until - at) * (before.value + slope * (0.5 * (at + until) - before.t_s));
            at = until;
            if (after.t_s <= end) {
                if (++next == samples.size()) {
                    bin = sum / bin_s;
                    return at == end && &bin == &bins.back();
                }
                before = after;
                after = point(next);
            }
        }
        bin = sum / bin_s;
    }
    return true;
}

// What two probes show, bin by bin, without what a gain and an offset of their own explain. If the slower one
// lags behind the other by one first-order lag, what is between them is that lag times the slower one's own
// steepness, however quickly the water moves.
class Pair {
public:
    Pair(std::span<double const> slower, std::span<double const> other, double bin_s) : bin_s_{bin_s} {
        for (std::size_t k = 2; k + 2 < slower.size(); ++k, ++count_) {
            level_[count_] = slower[k];
            apart_[count_] = slower[k] - other[k];
            near_[count_] = (slower[k + 1] - slower[k - 1]) / (2.0 * bin_s);
            wide_[count_] = (slower[k + 2] + other[k + 2] - slower[k - 2] - other[k - 2]) / (8.0 * bin_s);
        }
        centre(level_);
        centre(apart_);
        others_gain_ = 1.0 - part_of_level(apart_);
        take_out_level(apart_);
        for (auto* const column : {&near_, &wide_}) {
            centre(*column);
            take_out_level(*column);
        }
    }

    [[nodiscard]] std::optional<Behind> lag() const {
        double const moved = dot(wide_, near_);
        if (!(moved > 0.0) || others_gain_ < least_gain) {
            return std::nullopt;
        }
        double const lag_s = -dot(wide_, apart_) / moved;
        Column left{};
        double along = 0.0;
        for (std::size_t k = 0; k < count_; ++k) {
            left[k] = apart_[k] + lag_s * near_[k];
            along += k > 0 ? left[k] * left[k - 1] : 0.0;
        }
        double const squares = dot(left, left);
        auto const n = static_cast<double>(count_);
        if (moved < least_movement * squares / square(bin_s_)) {
            return std::nullopt;
        }
        // What is left hangs together: so many fewer speak.
        double const rho = squares > 0.0 ? std::clamp(along / squares, 0.0, 0.9) : 0.0;
        double const variance = squares / (n - 4.0) * (1.0 + rho) / (1.0 - rho);
        double const error_s = std::sqrt(variance * dot(wide_, wide_)) / moved;
        return error_s < worst_error_s ? std::optional{Behind{lag_s, error_s}} : std::nullopt;
    }

private:
    using Column = std::array<double, most_bins>;

    [[nodiscard]] double dot(Column const& a, Column const& b) const {
        double sum = 0.0;
        for (std::size_t k = 0; k < count_; ++k) {
            sum += a[k] * b[k];
        }
        return sum;
    }
    void centre(Column& column) const {
        double sum = 0.0;
        for (std::size_t k = 0; k < count_; ++k) {
            sum += column[k];
        }
        for (std::size_t k = 0; k < count_; ++k) {
            column[k] -= sum / static_cast<double>(count_);
        }
    }
    [[nodiscard]] double part_of_level(Column const& column) const {
        double const all = dot(level_, level_);
        return all > 0.0 ? dot(column, level_) / all : 0.0;
    }
    void take_out_level(Column& column) const {
        double const part = part_of_level(column);
        for (std::size_t k = 0; k < count_; ++k) {
            column[k] -= part * level_[k];
        }
    }

    double bin_s_;
    double others_gain_ = 0.0;
    std::size_t count_ = 0;
    Column level_{}, apart_{}, near_{}, wide_{};
};

}  // namespace

std::optional<Behind> behind(Samples const& own, Samples const& other, std::int64_t from_ms,
                             std::int64_t to_ms, double bin_s) {
    if (own.empty() || other.empty()) {
        return std::nullopt;
    }
    from_ms = std::max({from_ms, own[0].time_ms, other[0].time_ms});
    to_ms = std::min({to_ms, own.back().time_ms, other.back().time_ms});
    double const bins = static_cast<double>(to_ms - from_ms) / (1000.0 * bin_s);
    if (bins < static_cast<double>(fewest_bins)) {
        return std::nullopt;
    }
    auto const count = std::min(static_cast<std::size_t>(bins), most_bins);
    std::array<double, most_bins> own_means{}, other_means{};
    std::span const a{own_means.data(), count}, b{other_means.data(), count};
    if (!means(own, from_ms, bin_s, a) || !means(other, from_ms, bin_s, b)) {
        return std::nullopt;
    }
    auto const if_slower = Pair{a, b, bin_s}.lag();
    if (!if_slower || if_slower->lag_s >= 0.0) {
        return if_slower;
    }
    auto const if_quicker = Pair{b, a, bin_s}.lag();
    return if_quicker ? std::optional{Behind{-if_quicker->lag_s, if_quicker->error_s}} : std::nullopt;
}

void NeighbourLag::take(std::int64_t time_ms, Hour const& hour) {
    hours_.push({static_cast<std::uint32_t>(time_ms / 1000), static_cast<float>(hour.ln_lag),
                 static_cast<float>(hour.own_error), static_cast<float>(hour.other_error)});
}

std::int64_t NeighbourLag::newest_ms() const {
    return hours_.empty() ? 0 : std::int64_t{1000} * hours_.back().at_s;
}

std::optional<NeighbourLag::Known> NeighbourLag::known(std::int64_t now_ms) const {
    std::array<double, 16> values{}, own{}, other{};
    std::size_t count = 0;
    for (std::size_t i = 0; i < hours_.size(); ++i) {
        auto const& hour = hours_[i];
        if (now_ms / 1000 - std::int64_t{hour.at_s} < last_for_s) {
            values[count] = static_cast<double>(hour.ln_lag);
            own[count] = static_cast<double>(hour.own_error);
            other[count] = static_cast<double>(hour.other_error);
            ++count;
        }
    }
    if (count < fewest_hours) {
        return std::nullopt;
    }
    double const scatter = estimate::mad_sigma(std::span{values.data(), count});
    double const typical = estimate::median_inplace(std::span{own.data(), count});
    // Of the median; neighbouring hours err alike, so that half of them count.
    double const by_hours = 1.2533 * std::max(scatter, typical) / std::sqrt(0.5 * static_cast<double>(count));
    Known known;
    known.ln_lag = estimate::median_inplace(std::span{values.data(), count});
    known.error = std::sqrt(square(by_hours) + square(model_error) +
                            square(estimate::median_inplace(std::span{other.data(), count})));
    return known;
}

}  // namespace probekeeper::diagnosis

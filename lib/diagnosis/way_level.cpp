#include "diagnosis/way_level.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "diagnosis/span_drift.h"

namespace probekeeper::diagnosis {
namespace {

// A length that blasts have taught is as of a probe that was right by then: it is off by what that was off,
// as a part of their way. So much may be, percent, and never more than that part. Guesses.
constexpr double taught_doubt = 6.0, worst_taught = 0.5;
// What blasts out of water with much oxygen and with little may be off beside each other, percent; and from
// so many standard deviations of their ways it is near enough to where there is none. Guesses.
constexpr double of_other_ways = 0.2, furthest_ways = 6.0;
// How blasts reach the membrane may change by so much of their way in a day, as a variance. A guess.
constexpr double part_noise = 1e-6;
constexpr double outlier_beyond = 2.5;  // standard deviations
constexpr std::uint32_t fewest_blasts = 3;
constexpr double newest_ways = 100.0;
// A level that is known no better than so, percent, is not told. A guess.
constexpr double worst_level = 1.0;
constexpr double day_ms = 86'400'000.0;

double square(double x) {
    return x * x;
}

}  // namespace

void WayLevel::pass(Filter& filter, double days) {
    filter.wander(level, slope, days, level_noise, slope_noise);
    filter.loosen(part_off, days * part_noise);
}

void WayLevel::note_way(double way) {
    ways_ = std::min(ways_ + 1.0, newest_ways);
    double const off = way - way_mean_;
    way_mean_ += off / ways_;
    way_variance_ += (off * (way - way_mean_) - way_variance_) / ways_;
}

bool WayLevel::near_saturation() const {
    return square(way_mean_) < square(furthest_ways) * way_variance_;
}

void WayLevel::blast(std::int64_t time_ms, double percent, double way, double sigma) {
    if (seen_ > 0) {
        pass(filter_, static_cast<double>(time_ms - newest_ms_) / day_ms);
    }
    newest_ms_ = time_ms;
    ++seen_;
    if (ways_ == 0.0) {
        filter_.set(part_off, 0.0, square(std::min(worst_taught, taught_doubt / std::abs(way))));
    }
    note_way(way);
    if (seen_ == 1) {
        filter_.set(slope, 0.0, slope_prior);
        filter_.set(level, percent, square(sigma));
        filter_.add(level, -way, part_off);
        return;
    }
    double const beyond = seen_ > fewest_blasts ? outlier_beyond : std::numeric_limits<double>::infinity();
    Filter::Vector const weights{1.0, 0.0, way};
    double const off = percent - filter_.mean(level) - way * filter_.mean(part_off);
    // A span that has leapt says nothing of how long blasts are; and no better than what blasts of other ways
    // may be off by they leave it, however many there are.
    bool const outlier =
        std::abs(off) > beyond * std::sqrt(square(sigma) + filter_.expected_variance(weights));
    bool const teaches =
        !outlier && near_saturation() && filter_.variance(part_off) * way_variance_ > square(of_other_ways);
    filter_.update(off, weights, square(sigma), beyond, teaches ? 0U : 1U << part_off);
}

void WayLevel::set_level(double percent, double variance) {
    filter_.set(level, percent, variance);
    filter_.add(level, -way_mean_, part_off);
}

void WayLevel::begin_anew() {
    Filter anew;
    anew.set(part_off, filter_.mean(part_off), filter_.variance(part_off));
    filter_ = anew;
    seen_ = 0;
}

bool WayLevel::tells() const {
    return seen_ >= fewest_blasts && near_saturation() && filter_.variance(level) < square(worst_level);
}

WayLevel::Known WayLevel::known(double ahead_days) const {
    auto ahead = filter_;
    pass(ahead, ahead_days);
    return {filter_.mean(level),   filter_.variance(level), ahead.mean(level),
            ahead.variance(level), filter_.mean(part_off),  filter_.variance(part_off)};
}

}  // namespace probekeeper::diagnosis

#include "diagnosis/height.h"

#include <algorithm>

namespace probekeeper::diagnosis {
namespace {

constexpr std::int64_t minute_ms = 60'000;
constexpr std::uint32_t fewest_minutes = 10;
// A blast and its way back take some minutes of an hour. A guess: the twelfth part of it.
constexpr std::uint32_t blast_part = 12;

}  // namespace

void HeightWatch::take(View const& view) {
    auto const minute = view.time_ms / minute_ms;
    if (view.exposed || minute == minute_ || count_ == minutes_.size()) {
        return;
    }
    minute_ = minute;
    minutes_[count_++] = static_cast<float>(view.value / view.saturation);
}

void HeightWatch::close_hour() {
    if (count_ >= fewest_minutes) {
        std::sort(minutes_.begin(), minutes_.begin() + count_);
        hours_.push(minutes_[count_ - 1 - count_ / blast_part]);
    }
    count_ = 0;
}

double HeightWatch::ranked(std::size_t back, std::size_t count, std::size_t rank) const {
    std::array<float, day> hours{};
    for (std::size_t i = 0; i < count; ++i) {
        hours[i] = hours_.from_back(back + i);
    }
    std::sort(hours.begin(), hours.begin() + static_cast<std::ptrdiff_t>(count));
    return static_cast<double>(hours[rank]);
}

double HeightWatch::day_step() const {
    if (hours_.size() < 2 * day) {
        return 0.0;
    }
    double const usual = ranked(day, day, day / 2);
    return usual > 0.0 ? ranked(0, day, day / 2) / usual : 0.0;
}

double HeightWatch::steepest() const {
    double steepest = 0.0;
    for (std::size_t i = 0; i < day && i + 1 < hours_.size(); ++i) {
        double const before = static_cast<double>(hours_.from_back(i + 1));
        steepest =
            before > 0.0 ? std::max(steepest, static_cast<double>(hours_.from_back(i)) / before) : steepest;
    }
    return steepest;
}

double HeightWatch::step() const {
    if (hours_.size() < newest + day) {
        return 0.0;
    }
    double const usual = ranked(newest, day, day - 4);
    return usual > 0.0 ? ranked(0, newest, newest / 2 - 1) / usual : 0.0;
}

}  // namespace probekeeper::diagnosis

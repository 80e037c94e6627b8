// How high a probe usually reads within an hour, blasts that no bit declares left out: what leaps when oxygen
// finds a way past the membrane.
#pragma once

#include <array>
#include <cstdint>

#include "diagnosis/samples.h"
#include "diagnosis/view.h"

namespace probekeeper::diagnosis {

class HeightWatch {
public:
    // Readings of a probe in the water, in order of time.
    void take(View const& view);
    // Once an hour.
    void close_hour();

    // What is typical of the last four hours over what was high in the day before them; 0 until known.
    [[nodiscard]] double step() const;
    // What is typical of the last day over what was typical of the day before it; 0 until known.
    [[nodiscard]] double day_step() const;
    // The most that an hour of the last day was above the one before it, as their ratio; 0 until known.
    [[nodiscard]] double steepest() const;

private:
    static constexpr std::size_t newest = 4, day = 24;
    // Of `count` hours, up to a day, before the newest `back` ones: that of `rank`, 0 the lowest.
    [[nodiscard]] double ranked(std::size_t back, std::size_t count, std::size_t rank) const;

    Ring<float, 2 * day> hours_;       // as a part of saturation
    std::array<float, 60> minutes_{};  // of this hour, one reading of each
    std::uint32_t count_ = 0;
    std::int64_t minute_ = 0;
};

}  // namespace probekeeper::diagnosis

// Pieces of the readings kept: what a fit is given, and what stood before a moment.
#pragma once

#include <array>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <span>

#include "diagnosis/response.h"
#include "diagnosis/samples.h"

namespace probekeeper::diagnosis {

[[nodiscard]] inline std::int64_t as_ms(double s) {
    // Longer, or no number: as a checkpoint may hold it that is damaged.
    constexpr double longest_s = 1e11;
    return std::abs(s) < longest_s ? static_cast<std::int64_t>(1000.0 * s)
                                   : static_cast<std::int64_t>(1000.0 * longest_s);
}
[[nodiscard]] inline double s_between(std::int64_t from_ms, std::int64_t to_ms) {
    return static_cast<double>(to_ms - from_ms) / 1000.0;
}

struct Piece {
    std::array<FitPoint, Samples::capacity()> points{};
    std::size_t count = 0;
    [[nodiscard]] std::span<FitPoint const> span() const { return {points.data(), count}; }
};

// Both ends included; in it t = 0 is `zero_ms`.
[[nodiscard]] Piece cut(Samples const& samples, std::int64_t from_ms, std::int64_t zero_ms,
                        std::int64_t to_ms);

// Of the readings from so long before a time until it; NaN and infinity where there are none.
[[nodiscard]] double median_before(Samples const& samples, std::int64_t time_ms, double span_s);
// What that median cannot be below; nearly as telling, and a tenth of the work.
[[nodiscard]] double least_before(Samples const& samples, std::int64_t time_ms, double span_s);

}  // namespace probekeeper::diagnosis

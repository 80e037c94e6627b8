// Statistics that a few wild readings cannot move. Values must be finite. Functions that take a span of const
// leave it as it is and work on a copy (they allocate); those named _inplace reorder what they are given and
// allocate nothing. Nothing is known of an empty span: the answer is NaN.
#pragma once

#include <cstddef>
#include <span>

namespace probekeeper::estimate {

// What makes the median absolute deviation a standard deviation, for normal values: 1 / Phi^-1(3/4).
inline constexpr double mad_to_sigma = 1.482602218505602;
// A second difference of white noise has six times its variance: 1 + 4 + 1.
inline constexpr double second_difference_gain = 2.449489742783178;

// The middle value; of an even number, the mean of the middle two.
[[nodiscard]] double median_inplace(std::span<double> values);
[[nodiscard]] double median(std::span<double const> values);

// `part` of the values lie below, 0 <= part <= 1; type 7 of Hyndman and Fan (1996): linear between the order
// statistics at (n - 1) part.
[[nodiscard]] double quantile_inplace(std::span<double> values, double part);
[[nodiscard]] double quantile(std::span<double const> values, double part);

// Robust standard deviation: 1.4826 times the median distance from the median. The in-place one leaves the
// distances behind instead of the values.
[[nodiscard]] double mad_sigma_inplace(std::span<double> values);
[[nodiscard]] double mad_sigma(std::span<double const> values);

}  // namespace probekeeper::estimate

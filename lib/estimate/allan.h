// Allan deviation: how much averages over a time tau differ from the average just before. It tells noise that
// averages away from wander that does not. Values are evenly spaced.
// Source: Riley, NIST Special Publication 1065 (2008), Handbook of Frequency Stability Analysis.
#pragma once

#include <cstddef>
#include <optional>
#include <span>

namespace probekeeper::estimate {

// Overlapping Allan deviation of `values` (frequency data, in SP 1065's words) at tau = `factor` spacings; in
// the unit of the values. Empty where factor is 0 or there are fewer than 2 factor values.
[[nodiscard]] std::optional<double> overlapping_allan(std::span<double const> values, std::size_t factor);

// The same from phase data, the running sum of values times spacing: `phase` has one point more than there
// are values. In the unit of phase over that of `spacing`. Empty where factor is 0 or phase has fewer than 2
// factor + 1 points.
[[nodiscard]] std::optional<double> overlapping_allan_of_phase(std::span<double const> phase, double spacing,
                                                               std::size_t factor);

// The differences between neighbouring averages of `factor` values, one value at a time: update() returns one
// whenever an average is complete and another stood before it. Trivially copyable.
struct AverageDifferences {
    std::size_t factor = 1;
    double sum = 0.0;
    double previous = 0.0;
    std::size_t summed = 0;
    bool has_previous = false;

    [[nodiscard]] std::optional<double> update(double value);
    // The record has a gap: neither the average begun nor the one before it has a neighbour.
    void interrupt();
};

// Allan deviation from such differences that a few steps or spikes cannot move: their median magnitude,
// scaled so that normal noise gives the standard deviation of the classical one. Reorders `differences` and
// leaves their magnitudes. NaN if empty.
[[nodiscard]] double robust_allan_inplace(std::span<double> differences);

}  // namespace probekeeper::estimate

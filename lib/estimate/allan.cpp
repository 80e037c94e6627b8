#include "estimate/allan.h"

#include <cmath>
#include <numbers>

#include "estimate/robust.h"

namespace probekeeper::estimate {
namespace {

double sum_of(std::span<double const> values) {
    double sum = 0.0;
    for (double const v : values) {
        sum += v;
    }
    return sum;
}

double square(double x) {
    return x * x;
}

}  // namespace

std::optional<double> overlapping_allan(std::span<double const> values, std::size_t factor) {
    if (factor == 0 || values.size() < 2 * factor) {
        return std::nullopt;
    }
    double earlier = sum_of(values.first(factor));
    double later = sum_of(values.subspan(factor, factor));
    double squares = square(later - earlier);
    for (std::size_t i = 0; i + 2 * factor < values.size(); ++i) {
        earlier += values[i + factor] - values[i];
        later += values[i + 2 * factor] - values[i + factor];
        squares += square(later - earlier);
    }
    auto const pairs = static_cast<double>(values.size() - 2 * factor + 1);
    return std::sqrt(squares / (2.0 * pairs)) / static_cast<double>(factor);
}

std::optional<double> overlapping_allan_of_phase(std::span<double const> phase, double spacing,
                                                 std::size_t factor) {
    if (factor == 0 || phase.size() < 2 * factor + 1) {
        return std::nullopt;
    }
    std::size_t const pairs = phase.size() - 2 * factor;
    double squares = 0.0;
    for (std::size_t i = 0; i < pairs; ++i) {
        squares += square(phase[i + 2 * factor] - 2.0 * phase[i + factor] + phase[i]);
    }
    return std::sqrt(squares / (2.0 * static_cast<double>(pairs))) / (spacing * static_cast<double>(factor));
}

std::optional<double> AverageDifferences::update(double value) {
    sum += value;
    if (++summed < factor) {
        return std::nullopt;
    }
    double const average = sum / static_cast<double>(factor);
    std::optional<double> difference;
    if (has_previous) {
        difference = average - previous;
    }
    previous = average;
    has_previous = true;
    sum = 0.0;
    summed = 0;
    return difference;
}

void AverageDifferences::interrupt() {
    sum = 0.0;
    summed = 0;
    has_previous = false;
}

double robust_allan_inplace(std::span<double> differences) {
    for (auto& d : differences) {
        d = std::abs(d);
    }
    return mad_to_sigma * median_inplace(differences) / std::numbers::sqrt2;
}

}  // namespace probekeeper::estimate

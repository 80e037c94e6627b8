#include "store/ladder.h"

#include <algorithm>
#include <cmath>
#include <vector>

#include "store/bit_order.h"
#include "store/bytes.h"

namespace probekeeper::store {

namespace {

constexpr std::size_t sample_size = 256;
constexpr double rungs_apart_least = 64.0;  // in steps of the precision: nearer ones are no ladder
constexpr double uneven_most = 0.2;         // in rungs
constexpr double off_most = 2.0;            // so much values are off their rungs in steps, on average
constexpr double rungs_most = 1e9;

// About the step between the rungs on which `sorted` lie. Of many values some are on neighbouring rungs.
std::optional<double> step_of(std::span<double const> sorted, double precision) {
    double smallest = sorted.back() - sorted.front();
    for (std::size_t i = 1; i < sorted.size(); ++i) {
        double const gap = sorted[i] - sorted[i - 1];
        smallest = gap > 0.0 ? std::min(smallest, gap) : smallest;
    }
    if (smallest < rungs_apart_least * precision) {
        return std::nullopt;
    }
    double sum = 0.0, count = 0.0;  // of all gaps of one rung, which are off by their precision
    for (std::size_t i = 1; i < sorted.size(); ++i) {
        double const gap = sorted[i] - sorted[i - 1];
        if (gap > 0.0 && gap < 1.5 * smallest) {
            sum += gap;
            count += 1.0;
        }
    }
    // Then from nearer to farther rungs, by which it gets finer.
    double step = sum / count, rungs = 0.0;
    for (std::size_t i = 1; i < sorted.size(); ++i) {
        double const apart = (sorted[i] - sorted[i - 1]) / step;
        if (std::abs(apart - std::round(apart)) > uneven_most) {
            return std::nullopt;
        }
        rungs += std::round(apart);
        step = rungs > 0.0 ? (sorted[i] - sorted.front()) / rungs : step;
    }
    return step;
}

}  // namespace

std::int64_t Ladder::rung(double v) const {
    return std::llround((v - origin) / step);
}

double Ladder::real(std::int64_t rung) const {
    double const v = origin + static_cast<double>(rung) * step;
    return single ? double{static_cast<float>(v)} : v;
}

std::int64_t steps_beyond(double v, double near, bool single) {
    return wrapped_difference(ordered(v, single), ordered(near, single));
}

double beyond(double near, std::int64_t steps, bool single) {
    return real_of(wrapped_sum(ordered(near, single), steps), single);
}

std::optional<Ladder> ladder_of(std::span<double const> values, bool single) {
    std::vector<double> sample(
        values.begin(), values.begin() + static_cast<std::ptrdiff_t>(std::min(values.size(), sample_size)));
    std::sort(sample.begin(), sample.end());
    auto const [low, high] = std::minmax_element(values.begin(), values.end());
    double const most = std::max(std::abs(*low), std::abs(*high));
    if (!(most < 1e30) || sample.front() == sample.back()) {
        return std::nullopt;
    }
    auto const step = step_of(sample, precision_at(most, single));
    if (!step || (*high - *low) / *step > rungs_most) {
        return std::nullopt;
    }
    Ladder const ladder{*low, (*high - *low) / std::round((*high - *low) / *step), single};
    double off = 0.0;
    for (auto const v : values) {
        off += std::abs(static_cast<double>(steps_beyond(v, ladder.real(ladder.rung(v)), single)));
    }
    return off <= off_most * static_cast<double>(values.size()) ? std::optional{ladder} : std::nullopt;
}

}  // namespace probekeeper::store

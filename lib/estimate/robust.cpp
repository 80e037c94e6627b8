#include "estimate/robust.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>
#include <vector>

#include "estimate/normal.h"

namespace probekeeper::estimate {
namespace {

constexpr double not_known = std::numeric_limits<double>::quiet_NaN();

auto at(std::span<double> values, std::size_t index) {
    return values.begin() + static_cast<std::ptrdiff_t>(index);
}

std::vector<double> copied(std::span<double const> values) {
    return {values.begin(), values.end()};
}

// Of sorted values, at a rank counted from 0 that may lie between two of them.
double at_rank(std::span<double const> sorted, double rank) {
    double const last = static_cast<double>(sorted.size() - 1);
    double const within = std::clamp(rank, 0.0, last);
    auto const below = static_cast<std::size_t>(within);
    auto const above = std::min(below + 1, sorted.size() - 1);
    return std::lerp(sorted[below], sorted[above], within - static_cast<double>(below));
}

std::vector<double> pair_slopes(std::span<double const> t, std::span<double const> y) {
    std::vector<double> slopes;
    slopes.reserve(t.size() * (t.size() - 1) / 2);
    for (std::size_t i = 0; i < t.size(); ++i) {
        for (std::size_t j = i + 1; j < t.size(); ++j) {
            if (t[i] != t[j]) {
                slopes.push_back((y[j] - y[i]) / (t[j] - t[i]));
            }
        }
    }
    return slopes;
}

// Var S of Mann-Kendall. Only how often each value occurs counts, so the order of time is not needed.
double kendall_variance(std::span<double const> values) {
    auto const term = [](double n) { return n * (n - 1.0) * (2.0 * n + 5.0); };
    auto sorted = copied(values);
    std::sort(sorted.begin(), sorted.end());
    double sum = term(static_cast<double>(sorted.size()));
    for (auto group = sorted.begin(); group != sorted.end();) {
        auto const next = std::upper_bound(group, sorted.end(), *group);
        sum -= term(static_cast<double>(next - group));
        group = next;
    }
    return sum / 18.0;
}

}  // namespace

double median_inplace(std::span<double> values) {
    if (values.empty()) {
        return not_known;
    }
    auto const middle = at(values, values.size() / 2);
    std::nth_element(values.begin(), middle, values.end());
    if (values.size() % 2 == 1) {
        return *middle;
    }
    return std::midpoint(*std::max_element(values.begin(), middle), *middle);
}

double median(std::span<double const> values) {
    auto scratch = copied(values);
    return median_inplace(scratch);
}

double quantile_inplace(std::span<double> values, double part) {
    if (values.empty()) {
        return not_known;
    }
    double const rank = static_cast<double>(values.size() - 1) * std::clamp(part, 0.0, 1.0);
    auto const index = static_cast<std::size_t>(rank);
    auto const below = at(values, index);
    std::nth_element(values.begin(), below, values.end());
    if (index + 1 == values.size()) {
        return *below;
    }
    double const above = *std::min_element(below + 1, values.end());
    return std::lerp(*below, above, rank - static_cast<double>(index));
}

double quantile(std::span<double const> values, double part) {
    auto scratch = copied(values);
    return quantile_inplace(scratch, part);
}

double mad_sigma_inplace(std::span<double> values) {
    double const middle = median_inplace(values);
    for (auto& v : values) {
        v = std::abs(v - middle);
    }
    return mad_to_sigma * median_inplace(values);
}

double mad_sigma(std::span<double const> values) {
    auto scratch = copied(values);
    return mad_sigma_inplace(scratch);
}

TheilSen theil_sen(std::span<double const> t, std::span<double const> y, double confidence) {
    auto slopes = t.size() < 2 ? std::vector<double>{} : pair_slopes(t, y);
    if (slopes.empty()) {
        return {not_known, not_known, not_known, not_known};
    }
    std::sort(slopes.begin(), slopes.end());
    auto const count = static_cast<double>(slopes.size());
    double const c = normal_quantile(0.5 + 0.5 * confidence) * std::sqrt(kendall_variance(y));
    double const slope = at_rank(slopes, 0.5 * (count - 1.0));
    return {slope, median(y) - slope * median(t), at_rank(slopes, 0.5 * (count - c) - 1.0),
            at_rank(slopes, 0.5 * (count + c))};
}

MannKendall mann_kendall(std::span<double const> values) {
    double s = 0.0;
    for (std::size_t i = 0; i < values.size(); ++i) {
        for (std::size_t j = i + 1; j < values.size(); ++j) {
            s += static_cast<double>(values[j] > values[i]) - static_cast<double>(values[j] < values[i]);
        }
    }
    double const variance = kendall_variance(values);
    double const sign = static_cast<double>(s > 0.0) - static_cast<double>(s < 0.0);
    return {s, variance, s == 0.0 ? 0.0 : (s - sign) / std::sqrt(variance)};
}

}  // namespace probekeeper::estimate

#include "estimate/robust.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>
#include <vector>

namespace probekeeper::estimate {
namespace {

constexpr double not_known = std::numeric_limits<double>::quiet_NaN();

auto at(std::span<double> values, std::size_t index) {
    return values.begin() + static_cast<std::ptrdiff_t>(index);
}

// Most medians are of a handful, for which nth_element costs several times as much.
constexpr std::size_t few = 16;

void sort_few(std::span<double> values) {
    for (std::size_t i = 1; i < values.size(); ++i) {
        double const value = values[i];
        std::size_t to = i;
        for (; to > 0 && value < values[to - 1]; --to) {
            values[to] = values[to - 1];
        }
        values[to] = value;
    }
}

std::vector<double> copied(std::span<double const> values) {
    return {values.begin(), values.end()};
}

}  // namespace

double median_inplace(std::span<double> values) {
    if (values.empty()) {
        return not_known;
    }
    auto const middle = at(values, values.size() / 2);
    if (values.size() <= few) {
        sort_few(values);
    } else {
        std::nth_element(values.begin(), middle, values.end());
    }
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

}  // namespace probekeeper::estimate

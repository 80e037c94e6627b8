#include "estimate/normal.h"

#include <boost/math/special_functions/erf.hpp>
#include <cmath>
#include <limits>
#include <numbers>

namespace probekeeper::estimate {
namespace {

constexpr double infinity = std::numeric_limits<double>::infinity();

}  // namespace

double normal_cdf(double z) {
    return 0.5 * std::erfc(-z / std::numbers::sqrt2);
}

double normal_quantile(double probability) {
    if (probability <= 0.0 || probability >= 1.0) {
        return probability <= 0.0 ? -infinity : infinity;
    }
    return -std::numbers::sqrt2 * boost::math::erfc_inv(2.0 * probability);
}

}  // namespace probekeeper::estimate

#include "estimate/kalman.h"

#include <algorithm>
#include <cmath>

namespace probekeeper::estimate {
namespace {

constexpr int trusted_values = 3;

double square(double x) {
    return x * x;
}

}  // namespace

Predicted LevelSlopeFilter::forecast(double ahead) const {
    return {level_ + slope_ * ahead, level_variance_ + ahead * (2.0 * covariance_ + ahead * slope_variance_) +
                                         ahead * (noise_.level + square(ahead) * noise_.slope / 3.0)};
}

void LevelSlopeFilter::predict(double elapsed) {
    if (!started()) {
        return;
    }
    auto const then = forecast(elapsed);
    level_ = then.mean;
    level_variance_ = then.variance;
    covariance_ += elapsed * slope_variance_ + 0.5 * square(elapsed) * noise_.slope;
    slope_variance_ += elapsed * noise_.slope;
}

double LevelSlopeFilter::update(double value, double variance) {
    if (!started()) {
        level_ = value;
        level_variance_ = variance;
        values_ = 1;
        return 1.0;
    }
    double const surprise = value - level_;
    double taken_variance = variance;
    if (values_ >= trusted_values) {
        taken_variance = std::max(variance, square(surprise / noise_.outlier_beyond) - level_variance_);
    }
    double const total = level_variance_ + taken_variance;
    double const level_gain = level_variance_ / total;
    double const slope_gain = covariance_ / total;
    level_ += level_gain * surprise;
    slope_ += slope_gain * surprise;
    slope_variance_ -= slope_gain * covariance_;
    // 1 - level_gain, without the cancellation where the measurement is the better of the two by far.
    double const kept = taken_variance / total;
    covariance_ *= kept;
    level_variance_ *= kept;
    values_ = std::min(values_ + 1, trusted_values);
    return variance / taken_variance;
}

}  // namespace probekeeper::estimate

// A quantity that drifts: its level and slope, from measurements of unequal worth at unequal times.
//
// Local linear trend (Durbin and Koopman, Time Series Analysis by State Space Methods, ch. 3): level and
// slope are random walks in continuous time, so a long gap widens exactly as many short ones do. Any unit of
// value [v] and of time [d] will do, used alike throughout; the defaults suit the natural logarithm of a
// response time, with days.
#pragma once

#include <limits>
#include <type_traits>

namespace probekeeper::estimate {

struct LevelSlopeNoise {
    double level = 2e-4;          // growth of the level's variance, v^2/d: 0.014 in a day
    double slope = 3e-7;          // growth of the slope's variance, v^2/d^3: 0.003 /d in a month
    double slope_prior = 1e-4;    // variance of the slope before anything is known, v^2/d^2: 0.01 /d
    double outlier_beyond = 2.5;  // standard deviations; infinity trusts every value as it stands
};

struct Predicted {
    double mean, variance;
};

// Trivially copyable, so that a checkpoint may hold it as it is. Before the first value nothing is known:
// level() is NaN and level_variance() infinite.
class LevelSlopeFilter {
public:
    LevelSlopeFilter() = default;
    explicit LevelSlopeFilter(LevelSlopeNoise const& noise) : noise_{noise} {}

    // Time passes; `elapsed` >= 0, in d. Does nothing before the first value.
    void predict(double elapsed);

    // A measurement of the level, now, with the variance of its own error (> 0, in v^2). Returns the weight
    // it was given, 0 to 1. A value further than `outlier_beyond` standard deviations from what was expected
    // is taken to be so bad that it lies at just that distance: its variance is raised until it does. The
    // further out, the less it moves the level, but a value off by little keeps its full weight. The first
    // three values are taken as they are: a first value is no measure for the second.
    double update(double value, double variance);

    // The level may have jumped, by a standard deviation of sqrt(variance); the slope has not.
    void step(double variance) { level_variance_ += variance; }

    // Forgets everything but the noise.
    void restart() { *this = LevelSlopeFilter{noise_}; }

    // What a predict(ahead) would make of the level: mean and variance, the error of a measurement not in it.
    [[nodiscard]] Predicted forecast(double ahead) const;

    [[nodiscard]] bool started() const { return values_ > 0; }
    [[nodiscard]] double level() const { return level_; }
    [[nodiscard]] double slope() const { return slope_; }
    [[nodiscard]] double level_variance() const { return level_variance_; }
    [[nodiscard]] double slope_variance() const { return slope_variance_; }
    [[nodiscard]] double covariance() const { return covariance_; }  // of level and slope

private:
    LevelSlopeNoise noise_{};
    double level_ = std::numeric_limits<double>::quiet_NaN();
    double slope_ = 0.0;
    double level_variance_ = std::numeric_limits<double>::infinity();
    double slope_variance_ = noise_.slope_prior;
    double covariance_ = 0.0;
    int values_ = 0;
};
static_assert(std::is_trivially_copyable_v<LevelSlopeFilter>);

}  // namespace probekeeper::estimate

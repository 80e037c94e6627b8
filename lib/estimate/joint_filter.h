// Several quantities known together, from measurements that each tell a mixture of them (Kalman, A new
// approach to linear filtering and prediction problems, 1960). What a measurement says of one quantity it
// says, through their covariances, of the others too.
#pragma once

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <limits>

namespace probekeeper::estimate {

// Trivially copyable, so that a checkpoint may hold it as it is.
template <std::size_t n>
class JointFilter {
public:
    using Vector = std::array<double, n>;

    [[nodiscard]] double mean(std::size_t i) const { return mean_[i]; }
    [[nodiscard]] double variance(std::size_t i) const { return covariance_[i][i]; }
    [[nodiscard]] double covariance(std::size_t i, std::size_t j) const { return covariance_[i][j]; }

    // Quantity `i` is known as said, and nothing ties it to the others.
    void set(std::size_t i, double mean, double variance) {
        mean_[i] = mean;
        for (std::size_t j = 0; j < n; ++j) {
            covariance_[i][j] = covariance_[j][i] = 0.0;
        }
        covariance_[i][i] = variance;
    }

    // From now on `copy` is what `original` is now, with all that ties it to the others.
    void copy(std::size_t original, std::size_t copy) {
        mean_[copy] = mean_[original];
        covariance_[copy] = covariance_[original];
        for (std::size_t j = 0; j < n; ++j) {
            covariance_[j][copy] = covariance_[j][original];
        }
        covariance_[copy][copy] = covariance_[original][original];
    }

    // Quantity `i` becomes itself plus `factor` times quantity `j` (another one).
    void add(std::size_t i, double factor, std::size_t j) {
        mean_[i] += factor * mean_[j];
        for (std::size_t k = 0; k < n; ++k) {
            covariance_[i][k] += factor * covariance_[j][k];
        }
        for (std::size_t k = 0; k < n; ++k) {
            covariance_[k][i] += factor * covariance_[k][j];
        }
    }

    // Quantity `i` was said to be so much too little all along.
    void shift(std::size_t i, double by) { mean_[i] += by; }

    // Quantity `i` may have moved, by a standard deviation of sqrt(variance).
    void loosen(std::size_t i, double variance) { covariance_[i][i] += variance; }
    // Two that move together.
    void loosen(std::size_t i, std::size_t j, double covariance) {
        covariance_[i][j] += covariance;
        covariance_[j][i] += covariance;
    }

    // `time` passes for level `i`, which moves by its slope `j`, both of them random walks in continuous time
    // whose variances grow by `level_noise` and `slope_noise` a unit of it (Durbin and Koopman, Time Series
    // Analysis by State Space Methods, ch. 3). A long time widens them exactly as many short ones do.
    void wander(std::size_t i, std::size_t j, double time, double level_noise, double slope_noise) {
        add(i, time, j);
        loosen(i, time * (level_noise + time * time * slope_noise / 3.0));
        loosen(i, j, 0.5 * (time * time) * slope_noise);
        loosen(j, time * slope_noise);
    }

    // The variance that a measurement with these weights would be expected to have, its own error not in it.
    [[nodiscard]] double expected_variance(Vector const& weights) const {
        double sum = 0.0;
        for (std::size_t i = 0; i < n; ++i) {
            for (std::size_t j = 0; j < n; ++j) {
                sum += weights[i] * covariance_[i][j] * weights[j];
            }
        }
        return sum;
    }

    // A measurement that is off by `surprise` from what the means give for it, that moves by weights[i] where
    // quantity i moves by one, and whose own error has `variance` (> 0). Returns the weight that it was
    // given, 0 to 1: one further off than `outlier_beyond` standard deviations is taken to be so bad that it
    // lies at just that distance. The further out, the less it moves anything; one off by little keeps its
    // full weight.
    // Bit i of `considered`: quantity i is uncertain, and counts as such, but this measurement is no fit
    // teacher of it (Schmidt, Application of state-space methods to navigation problems, 1966; from memory).
    double update(double surprise, Vector const& weights, double variance,
                  double outlier_beyond = std::numeric_limits<double>::infinity(), unsigned considered = 0) {
        Vector tied{};  // covariance of each quantity with the measurement
        for (std::size_t i = 0; i < n; ++i) {
            for (std::size_t j = 0; j < n; ++j) {
                tied[i] += covariance_[i][j] * weights[j];
            }
        }
        double const expected = expected_variance(weights);
        double const at_limit = surprise / outlier_beyond;
        double const taken = std::max(variance, at_limit * at_limit - expected);
        double const total = expected + taken;
        auto const taught = [considered](std::size_t i) { return (considered >> i & 1U) == 0; };
        for (std::size_t i = 0; i < n; ++i) {
            mean_[i] += taught(i) ? tied[i] / total * surprise : 0.0;
        }
        for (std::size_t i = 0; i < n; ++i) {
            for (std::size_t j = i; j < n; ++j) {
                if (!taught(i) && !taught(j)) {
                    continue;
                }
                covariance_[i][j] -= tied[i] * tied[j] / total;
                covariance_[j][i] = covariance_[i][j];
            }
            // What rounding takes below zero was known as well as arithmetic allows.
            covariance_[i][i] = std::max(covariance_[i][i], 0.0);
        }
        return variance / taken;
    }

private:
    Vector mean_{};
    std::array<Vector, n> covariance_{};
};

}  // namespace probekeeper::estimate

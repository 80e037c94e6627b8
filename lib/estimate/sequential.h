// Control charts, one value at a time. Trivially copyable, so that a checkpoint may hold them as they are.
#pragma once

#include <algorithm>
#include <cmath>

namespace probekeeper::estimate {

// Tabular two-sided CUSUM (Page 1954; NIST/SEMATECH e-Handbook 6.3.2.3). Finds a small lasting shift of the
// mean soonest when `slack` is half that shift. All in the unit of the values.
struct Cusum {
    double target = 0.0;
    double slack = 0.5;      // k: movement off the target that counts for nothing
    double threshold = 4.0;  // h: with k = 0.5, h = 4 and unit variance, a false alarm in 168 values
    double high = 0.0;       // evidence for a mean above the target; start at h/2 for a fast initial response
    double low = 0.0;        // and below

    // True while either sum is over the threshold.
    bool update(double value) {
        high = std::max(0.0, high + value - target - slack);
        low = std::max(0.0, low + target - slack - value);
        return signals();
    }
    [[nodiscard]] bool signals() const { return high > threshold || low > threshold; }
    void reset() { high = low = 0.0; }
};

// Exponentially weighted moving average (Roberts 1959; NIST/SEMATECH e-Handbook 6.3.2.4).
struct Ewma {
    double weight = 0.2;  // lambda, of the newest value, 0 < weight <= 1
    double value = 0.0;   // set to the target before the first value

    double update(double newest) {
        value += weight * (newest - value);
        return value;
    }
    // Half-width of the control limits around the target, long after the start: `width` (say 3) standard
    // deviations of the average, for values of standard deviation `sigma`.
    [[nodiscard]] double limit(double sigma, double width) const {
        return width * sigma * std::sqrt(weight / (2.0 - weight));
    }
};

}  // namespace probekeeper::estimate

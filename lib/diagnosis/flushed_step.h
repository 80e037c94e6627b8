// What a step of oxygen at a membrane shows after it has come through the flush of water and air and through
// the probe. For this room's own .cpp files.
#pragma once

#include <array>
#include <cmath>
#include <cstddef>

#include "electrode/first_order.h"
#include "electrode/membrane.h"

namespace probekeeper::diagnosis {

// T90 over the time constant of the tail.
[[nodiscard]] inline double t90_over_tail(bool membrane) {
    return membrane ? electrode::membrane_t90_over_tail : electrode::first_order_t90_over_tau;
}

// With the flush's rate f: 1 + G e^-ft + sum of c_n e^-a_n t, with a_n = 1/tau for a first-order lag and
// n^2/tau for a membrane (Crank).
class FlushedStep {
public:
    FlushedStep(double tau_s, double flush_s, bool membrane)
        : flush_rate_{1.0 / flush_s}, modes_{membrane ? most_modes : 1} {
        for (std::size_t i = 0; i < modes_; ++i) {
            auto const n = static_cast<double>(i + 1);
            double rate = n * n / tau_s;
            // Two equal rates have another form; a little beside it this one is as good.
            if (std::abs(flush_rate_ - rate) < 1e-3 * flush_rate_) {
                rate = (1.0 - 1e-3) * flush_rate_;
            }
            double const sign = i % 2 == 0 ? -1.0 : 1.0;
            // The last one stands for all that follow, so that nothing is shown at once.
            double const weight = sign * (modes_ == 1 || i + 1 == modes_ ? 1.0 : 2.0);
            double const part = weight * flush_rate_ / (flush_rate_ - rate);
            modes_of_[i] = {rate, part, part * rate / (flush_rate_ - rate)};
            of_flush_ -= part;
            shift_ += modes_of_[i].shift;
        }
    }

    // To a ten-thousandth: enough beside any noise.
    [[nodiscard]] double roughly_at(double t) const {
        constexpr double nearly_gone = 9.0;
        if (t <= 0.0) {
            return 0.0;
        }
        double const ft = flush_rate_ * t;
        double out = ft < nearly_gone ? 1.0 + of_flush_ * std::exp(-ft) : 1.0;
        for (std::size_t i = 0; i < modes_ && modes_of_[i].rate * t < nearly_gone; ++i) {
            out += modes_of_[i].part * std::exp(-modes_of_[i].rate * t);
        }
        return out;
    }

    // And by ln tau, by ln of the flush, and by time.
    struct At {
        double value = 0.0, by_tau = 0.0, by_flush = 0.0, by_t = 0.0;
    };
    [[nodiscard]] At at(double t) const {
        if (t <= 0.0) {
            return {};
        }
        double const ft = flush_rate_ * t;
        double const flush = ft < gone ? std::exp(-ft) : 0.0;
        At out{1.0 + of_flush_ * flush, shift_ * flush, flush * (of_flush_ * ft - shift_),
               -flush_rate_ * of_flush_ * flush};
        for (std::size_t i = 0; i < modes_ && modes_of_[i].rate * t < gone; ++i) {
            auto const& m = modes_of_[i];
            double const e = std::exp(-m.rate * t);
            out.value += m.part * e;
            out.by_tau += e * (m.part * m.rate * t - m.shift);
            out.by_flush += e * m.shift;
            out.by_t -= m.part * m.rate * e;
        }
        return out;
    }

private:
    static constexpr std::size_t most_modes = 8;
    static constexpr double gone = 25.0;
    struct Mode {
        double rate, part, shift;
    };
    std::array<Mode, most_modes> modes_of_{};
    double flush_rate_;
    double of_flush_ = -1.0, shift_ = 0.0;
    std::size_t modes_;
};

}  // namespace probekeeper::diagnosis

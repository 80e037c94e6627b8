// How much may be sent when: a bucket that fills at a rate and holds what may go at once. Pure: time is an
// argument.
#pragma once

#include <algorithm>
#include <chrono>

namespace probekeeper::hub {

class Bucket {
public:
    using Time = std::chrono::steady_clock::time_point;

    // Full at first.
    Bucket(double bytes_per_s, double holds, Time now)
        : bytes_per_s_{bytes_per_s}, holds_{holds}, left_{holds}, at_{now} {}

    // How long to wait before anything may be sent. What is sent may overdraw it: then the wait is longer.
    [[nodiscard]] std::chrono::milliseconds wait(Time now) {
        fill(now);
        return left_ >= 0.0 ? std::chrono::milliseconds{0}
                            : std::chrono::ceil<std::chrono::milliseconds>(
                                  std::chrono::duration<double>{-left_ / bytes_per_s_});
    }
    void take(double bytes, Time now) {
        fill(now);
        left_ -= bytes;
    }

private:
    void fill(Time now) {
        left_ = std::min(holds_, left_ + bytes_per_s_ * std::chrono::duration<double>{now - at_}.count());
        at_ = now;
    }
    double bytes_per_s_, holds_, left_;
    Time at_;
};

}  // namespace probekeeper::hub

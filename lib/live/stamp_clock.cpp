#include "live/stamp_clock.h"

#include <algorithm>

namespace probekeeper::live {

StampClock::StampClock()
    : StampClock{[] { return std::chrono::floor<Millis>(std::chrono::system_clock::now()); },
                 [] { return std::chrono::steady_clock::now(); }} {}

StampClock::StampClock(System system, Steady steady)
    : system_{std::move(system)}, steady_{std::move(steady)} {}

void StampClock::never_before(Timestamp newest) {
    std::scoped_lock const lock{mutex_};
    if (newest > newest_) {
        newest_ = newest;
        newest_at_ = steady_();
    }
}

Timestamp StampClock::now() const {
    std::scoped_lock const lock{mutex_};
    auto const steady = steady_();
    auto stamp = system_();
    if (newest_ != Timestamp::min()) {
        // At the newest stamp itself the steady clock decides, so that a stepped clock does not stand still.
        auto const by_steady = newest_ + std::chrono::floor<Millis>(steady - newest_at_);
        stamp = stamp < newest_ ? by_steady : stamp;
    }
    if (stamp > newest_) {
        newest_ = stamp;
        newest_at_ = steady;
    }
    return stamp;
}

double StampClock::ahead_s() const {
    auto const stamp = now();
    return std::max(0.0, seconds_between(system_(), stamp));
}

}  // namespace probekeeper::live

// The time stamps of readings: the system's clock, but never back. Behind the newest stamp given, stamps go
// on by the steady clock until the system's clock has caught up.
#pragma once

#include <chrono>
#include <functional>
#include <mutex>

#include "fieldbus/probe_reader.h"

namespace probekeeper::live {

class StampClock final : public fieldbus::Clock {
public:
    using System = std::function<Timestamp()>;
    using Steady = std::function<std::chrono::steady_clock::time_point()>;

    StampClock();
    StampClock(System system, Steady steady);

    // No stamp will lie before `newest`: of the readings that the store already holds.
    void never_before(Timestamp newest);
    [[nodiscard]] Timestamp now() const override;  // from any thread
    // How far stamps are ahead of the system's clock, in seconds; 0 where they are not.
    [[nodiscard]] double ahead_s() const;

private:
    System system_;
    Steady steady_;
    mutable std::mutex mutex_;
    mutable Timestamp newest_ = Timestamp::min();
    mutable std::chrono::steady_clock::time_point newest_at_{};
};

}  // namespace probekeeper::live

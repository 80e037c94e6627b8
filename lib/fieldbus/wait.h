// Waiting against the steady clock: on one descriptor, or on nothing.
#pragma once

#include <semaphore.h>

#include <chrono>

namespace probekeeper::fieldbus {

using SteadyClock = std::chrono::steady_clock;
using SteadyTime = SteadyClock::time_point;

enum class Readiness { readable, writable };

enum class Waited { in_vain, ready, hung_up };

// `ready` as soon as `fd` is; `hung_up` where the other side has ended the connection or `fd` is in error
// (there may still be bytes to read; the next call on it tells); `in_vain` at `deadline`. Looks at least
// once, also where the deadline has passed. Any descriptor number will do.
[[nodiscard]] Waited wait_until(int fd, Readiness readiness, SteadyTime deadline);

// A sleep that another thread can end. One system call a sleep, where a condition variable takes two: the
// mutex that it gives back after a timeout is always unlocked through the kernel.
class Sleep {
public:
    Sleep();
    ~Sleep();
    Sleep(Sleep const&) = delete;
    Sleep& operator=(Sleep const&) = delete;

    // Returns at `due`, or earlier: after end(), which one made before counts for, or for no reason.
    void until(SteadyTime due) noexcept;
    void end() noexcept;

private:
    ::sem_t ended_{};
};

}  // namespace probekeeper::fieldbus

#include "fieldbus/wait.h"

#include <poll.h>
#include <algorithm>
#include <cerrno>

namespace probekeeper::fieldbus {

bool wait_until(int fd, Readiness readiness, SteadyTime deadline) {
    pollfd watched{fd, static_cast<short>(readiness == Readiness::readable ? POLLIN : POLLOUT), 0};
    for (;;) {
        auto const left = std::max(deadline - SteadyClock::now(), SteadyClock::duration::zero());
        auto const whole = std::chrono::floor<std::chrono::seconds>(left);
        timespec const timeout{whole.count(), std::chrono::nanoseconds{left - whole}.count()};
        int const ready = ::ppoll(&watched, 1, &timeout, nullptr);
        if (ready >= 0) {
            return ready > 0;
        }
        if (errno != EINTR) {
            return true;  // the descriptor is unusable, which the next call on it will say
        }
    }
}

}  // namespace probekeeper::fieldbus

#include "fieldbus/wait.h"

#include <poll.h>
#include <algorithm>
#include <cerrno>

namespace probekeeper::fieldbus {

Waited wait_until(int fd, Readiness readiness, SteadyTime deadline) {
    pollfd watched{fd, static_cast<short>(readiness == Readiness::readable ? POLLIN | POLLRDHUP : POLLOUT),
                   0};
    for (;;) {
        auto const left = std::max(deadline - SteadyClock::now(), SteadyClock::duration::zero());
        auto const whole = std::chrono::floor<std::chrono::seconds>(left);
        timespec const timeout{whole.count(), std::chrono::nanoseconds{left - whole}.count()};
        int const ready = ::ppoll(&watched, 1, &timeout, nullptr);
        if (ready == 0) {
            return Waited::in_vain;
        }
        if (ready > 0) {
            bool const ended = (watched.revents & (POLLRDHUP | POLLHUP | POLLERR | POLLNVAL)) != 0;
            return ended ? Waited::hung_up : Waited::ready;
        }
        if (errno != EINTR) {
            return Waited::hung_up;
        }
    }
}

}  // namespace probekeeper::fieldbus

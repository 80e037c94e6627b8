#include "fieldbus/wait.h"

#include <poll.h>
#include <algorithm>
#include <cerrno>

namespace probekeeper::fieldbus {
namespace {

timespec timespec_of(std::chrono::nanoseconds time) {
    auto const whole = std::chrono::floor<std::chrono::seconds>(time);
    return {whole.count(), (time - whole).count()};
}

}  // namespace

Waited wait_until(int fd, Readiness readiness, SteadyTime deadline) {
    pollfd watched{fd, static_cast<short>(readiness == Readiness::readable ? POLLIN | POLLRDHUP : POLLOUT),
                   0};
    for (;;) {
        auto const timeout =
            timespec_of(std::max(deadline - SteadyClock::now(), SteadyClock::duration::zero()));
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

Sleep::Sleep() {
    ::sem_init(&ended_, 0, 0);  // fails only for a value beyond its range
}

Sleep::~Sleep() {
    ::sem_destroy(&ended_);
}

void Sleep::until(SteadyTime due) noexcept {
    auto const at = timespec_of(due.time_since_epoch());
    ::sem_clockwait(&ended_, CLOCK_MONOTONIC, &at);  // the steady clock's own; whatever ends it, it has ended
}

void Sleep::end() noexcept {
    ::sem_post(&ended_);
}

}  // namespace probekeeper::fieldbus

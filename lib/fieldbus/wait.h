// Waiting on one descriptor against the steady clock.
#pragma once

#include <chrono>

namespace probekeeper::fieldbus {

using SteadyClock = std::chrono::steady_clock;
using SteadyTime = SteadyClock::time_point;

enum class Readiness { readable, writable };

// True as soon as `fd` is ready or in error (the next call on it tells which), false at `deadline`. Looks at
// least once, also where the deadline has passed. Any descriptor number will do.
[[nodiscard]] bool wait_until(int fd, Readiness readiness, SteadyTime deadline);

}  // namespace probekeeper::fieldbus

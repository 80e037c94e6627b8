// Waiting on one descriptor against the steady clock.
#pragma once

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

}  // namespace probekeeper::fieldbus

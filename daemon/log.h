#pragma once

#include "daemon/verbs.h"

namespace probekeeper::daemon {

// A logger to stderr: one event a line, `event=NAME key=value ...`, times in UTC. Thread-safe.
[[nodiscard]] Log make_log(bool verbose);

}  // namespace probekeeper::daemon

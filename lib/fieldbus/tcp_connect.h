// Opens the TCP connection of a line, telling apart why it cannot be had.
#pragma once

#include <chrono>
#include <cstdint>
#include <string>

#include "fieldbus/descriptors.h"
#include "fieldbus/fault.h"

namespace probekeeper::fieldbus {

// A connected, non-blocking socket, moved away from the low numbers. Every address of the name is tried, each
// for at most `timeout`; the fault is that of the last. A numeric address is never looked up; a name may
// block for as long as the system's resolver does. Faults: refused, unreachable, timed_out (code ETIMEDOUT),
// no_descriptor.
[[nodiscard]] LinkResult<Descriptor> tcp_connect(std::string const& host, std::uint16_t port,
                                                 std::chrono::milliseconds timeout);

}  // namespace probekeeper::fieldbus

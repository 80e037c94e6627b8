// File descriptors, and the low numbers among them that serial lines need.
#pragma once

namespace probekeeper::sockets {

// libmodbus 3.1.6 waits with select(), whose sets end at 1023; a higher number aborts the process.
inline constexpr int first_high_descriptor = 1024;

// Moves `fd` to a number of 1024 or more and closes the low one, so that low numbers stay free for serial
// lines: for whoever opens many, before anything else knows the number. Returns the new number, close-on-exec
// set; or `fd` itself, as it is, where it is none (negative), is high already, or the open files limit leaves
// no high number.
[[nodiscard]] int moved_up(int fd);

}  // namespace probekeeper::sockets

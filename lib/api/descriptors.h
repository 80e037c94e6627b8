// File descriptors of connections.
#pragma once

namespace probekeeper::api {

// Moves `fd` to a number of 1024 or more and closes the low one; close-on-exec. The Modbus client library of
// this process waits with select(), whose sets end at 1023: what needs no low number leaves it free. Where
// the limit of open files has no room up there, or the number is high already, `fd` comes back as it is.
[[nodiscard]] int moved_up(int fd);

}  // namespace probekeeper::api

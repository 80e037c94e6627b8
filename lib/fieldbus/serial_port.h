// Opens a serial device for one line, and for nobody else.
#pragma once

#include "fieldbus/descriptors.h"
#include "fieldbus/fault.h"
#include "fleet/fleet.h"

namespace probekeeper::fieldbus {

// The device of `line`, raw, non-blocking, set to its baud, parity, data and stop bits, and held exclusively
// until released: by flock (against a second daemon, also one run by root) and TIOCEXCL (against tools that
// know no locks). The lock is taken before any setting is touched, so that a refused second daemon cannot
// disturb the first. Faults: open_failed, no_descriptor.
[[nodiscard]] LinkResult<Descriptor> open_serial(fleet::Line const& line);

// Gives the device up and closes it. Needed because TIOCEXCL belongs to the device and would outlive us
// wherever another process still has it open.
void release_serial(Descriptor& port) noexcept;

}  // namespace probekeeper::fieldbus

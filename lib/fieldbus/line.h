// One Modbus line (a TCP endpoint, or a serial bus) and the right to talk on it. Read-only: functions 1 to 4.
//
// On a serial line libmodbus sends and receives the frames and keeps the CRC. Ours are the framing of TCP (a
// transaction identifier for every request, so that a late answer is known for what it is), the checks of an
// answer (so that each fault has its own name), the deadlines, and reconnecting.
#pragma once

#include <chrono>
#include <cstdint>
#include <memory>
#include <vector>

#include "fieldbus/fault.h"
#include "fieldbus/plan.h"
#include "fleet/fleet.h"

namespace probekeeper::fieldbus {

class Wire;

// A line carries one request at a time: all calls come from one thread at a time. Line never retries; how
// often to ask a silent unit is the poller's decision.
//
// Deadlines. A whole answer must be in `timeout_ms` after the request, plus, on a serial line, the time that
// request and answer take on the wire at this speed: `timeout_ms` is the device's, not the baud rate's. The
// bound is kept as configured, also where it exceeds a poll interval: missed slots are then counted by the
// poller.
class Line {
public:
    explicit Line(fleet::Line const& line);
    ~Line();
    Line(Line const&) = delete;
    Line& operator=(Line const&) = delete;

    // Opens the connection or the serial device, closing what was open. Blocks for at most `timeout_ms` an
    // address of the host (and for name look-up). Faults: refused, unreachable, timed_out, open_failed,
    // no_descriptor.
    [[nodiscard]] LinkResult<void> open();
    void close() noexcept;

    // Open, and as far as can be seen without asking still held by the other side: a connection that an idle
    // device has closed meanwhile is noticed here, before a request is spent on it.
    [[nodiscard]] bool usable();

    // Reads one block of `unit` into `out` (resized to block.count; a register an element, or 0 or 1 a bit).
    // The line must be open. Returns the time from the first byte sent to the last received. On failure `out`
    // is unspecified. On a serial line the legal silence (3.5 characters, above 19200 baud 1.750 ms) since
    // the last byte on the wire is kept before sending.
    //
    // After a fault nothing of that exchange can pass for a later answer. TCP: an answer to an earlier
    // request is recognised by its transaction identifier and thrown away; the connection is closed after
    // a reply that makes no sense, and after four requests in a row that nobody answered (the device may have
    // forgotten it). Serial: what arrived late is flushed before the next request. Bytes that come even later
    // than that request carry nothing to know them by but the unit, which RTU cannot better.
    [[nodiscard]] LinkResult<std::chrono::microseconds> read(int unit, Block const& block,
                                                             std::vector<std::uint16_t>& out);

    [[nodiscard]] bool is_open() const noexcept;

private:
    std::unique_ptr<Wire> wire_;
};

}  // namespace probekeeper::fieldbus

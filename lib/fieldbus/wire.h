// What a line is made of below: TCP or serial.
#pragma once

#include <chrono>
#include <cstdint>
#include <memory>
#include <vector>

#include "fieldbus/descriptors.h"
#include "fieldbus/fault.h"
#include "fieldbus/plan.h"
#include "fieldbus/wait.h"
#include "fleet/fleet.h"

namespace probekeeper::fieldbus {

// Calls and promises are those of Line.
class Wire {
public:
    explicit Wire(fleet::Line const& line)
        : line_{line}, timeout_{std::chrono::milliseconds{line.timeout_ms}} {}
    virtual ~Wire() = default;
    Wire(Wire const&) = delete;
    Wire& operator=(Wire const&) = delete;

    virtual LinkResult<void> open() = 0;
    virtual void close() noexcept = 0;
    virtual bool usable() = 0;
    virtual LinkResult<std::chrono::microseconds> read(std::uint8_t unit, Block const& block,
                                                       std::vector<std::uint16_t>& out) = 0;
    [[nodiscard]] bool is_open() const noexcept { return static_cast<bool>(port_); }

protected:
    fleet::Line line_;
    std::chrono::milliseconds timeout_;
    Descriptor port_;
};

[[nodiscard]] std::unique_ptr<Wire> make_tcp_wire(fleet::Line const& line);
[[nodiscard]] std::unique_ptr<Wire> make_serial_wire(fleet::Line const& line);

inline std::chrono::microseconds micros(SteadyClock::duration d) {
    return std::chrono::duration_cast<std::chrono::microseconds>(d);
}

inline LinkError closed(int error) {
    return {Fault::closed_by_peer, error};
}

}  // namespace probekeeper::fieldbus

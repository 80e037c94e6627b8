// Times on a serial line. Source: MODBUS over Serial Line Specification and Implementation Guide V1.02,
// section 2.5.1: frames are at least 3.5 characters apart, above 19200 baud a fixed 1.750 ms.    (pure)
#pragma once

#include <chrono>
#include <cstddef>

#include "fleet/fleet.h"

namespace probekeeper::fieldbus {

using Nanos = std::chrono::nanoseconds;

struct SerialTiming {
    Nanos character{};  // start, data, parity if any, stop bits
    Nanos gap{};        // the silence that must lie between two frames
    [[nodiscard]] Nanos frame(std::size_t bytes) const { return character * static_cast<long>(bytes); }
};

[[nodiscard]] SerialTiming timing_of(fleet::Line const& line);

// A request to read is unit, function, address, count and CRC: 8 characters. Its answer is unit, function,
// byte count, data and CRC: 5 characters beside the data.
inline constexpr std::size_t request_bytes = 8;
inline constexpr std::size_t answer_overhead_bytes = 5;

}  // namespace probekeeper::fieldbus

// A Modbus RTU line with several units on it, at one end of a pseudo-terminal pair.
#pragma once

#include <boost/asio/awaitable.hpp>
#include <boost/asio/posix/stream_descriptor.hpp>
#include <string>

#include "devices/registers.h"

namespace probekeeper::devices {

// CRC-16 of MODBUS over Serial Line V1.02, 6.2.2: 0xA001 reflected, from 0xFFFF; sent low byte first.
[[nodiscard]] std::uint16_t crc16(std::span<std::uint8_t const> bytes);

// Throws boost::system::system_error where the device cannot be opened.
[[nodiscard]] boost::asio::posix::stream_descriptor open_serial(boost::asio::io_context& io,
                                                                std::string const& path);

// The frame to send for the frame that was heard; empty where a device stays silent: a bad CRC, a unit that
// is not there, a broadcast.
[[nodiscard]] Bytes rtu_answer(std::span<std::uint8_t const> heard, Units const& units);

// Serves until the line goes away. A frame ends where the line falls silent.
boost::asio::awaitable<void> serve_serial(boost::asio::posix::stream_descriptor line, Units units);

}  // namespace probekeeper::devices

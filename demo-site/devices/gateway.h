// A Modbus TCP gateway on loopback with several units behind it.
#pragma once

#include <boost/asio/awaitable.hpp>
#include <boost/asio/ip/tcp.hpp>

#include "devices/registers.h"

namespace probekeeper::devices {

// Bound to 127.0.0.1; port 0 takes a free one, which the acceptor then knows. Throws
// boost::system::system_error.
[[nodiscard]] boost::asio::ip::tcp::acceptor listen_on_loopback(boost::asio::io_context& io,
                                                                std::uint16_t port);

// Serves until the context stops. A request for a unit that is not there gets exception 0x0B, gateway target
// device failed to respond; a frame that is not Modbus ends its connection. Call from the context's one
// thread.
boost::asio::awaitable<void> serve_gateway(boost::asio::ip::tcp::acceptor acceptor, Units units);

}  // namespace probekeeper::devices

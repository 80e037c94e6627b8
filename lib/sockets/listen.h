// A TCP socket that listens, for whoever serves.
#pragma once

#include <boost/asio/ip/tcp.hpp>
#include <cstdint>
#include <string>
#include <string_view>

namespace probekeeper::sockets {

// `address`: a numeric one; `port` 0: any free one. Throws std::runtime_error with a sentence, behind
// `for_whom`, where the address cannot be had.
[[nodiscard]] boost::asio::ip::tcp::acceptor listen_on(boost::asio::io_context& io,
                                                       std::string const& address, std::uint16_t port,
                                                       std::string_view for_whom = "");

}  // namespace probekeeper::sockets

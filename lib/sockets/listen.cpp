#include "sockets/listen.h"

#include <spdlog/fmt/fmt.h>

#include <boost/asio/io_context.hpp>
#include <stdexcept>

namespace probekeeper::sockets {

namespace net = boost::asio;
using net::ip::tcp;

tcp::acceptor listen_on(net::io_context& io, std::string const& address, std::uint16_t port,
                        std::string_view for_whom) {
    auto const cannot = [&](std::string_view why) {
        return std::runtime_error{
            fmt::format("{}cannot listen on {} port {}: {}", for_whom, address, port, why)};
    };
    boost::system::error_code error;
    auto const numeric = net::ip::make_address(address, error);
    if (error) {
        throw cannot("that is no IP address such as 127.0.0.1");
    }
    tcp::endpoint const endpoint{numeric, port};
    tcp::acceptor acceptor{io};
    acceptor.open(endpoint.protocol(), error);
    if (!error) {
        acceptor.set_option(tcp::acceptor::reuse_address{true}, error);
    }
    if (!error) {
        acceptor.bind(endpoint, error);
    }
    if (!error) {
        acceptor.listen(net::socket_base::max_listen_connections, error);
    }
    if (error) {
        throw cannot(error.message());
    }
    return acceptor;
}

}  // namespace probekeeper::sockets

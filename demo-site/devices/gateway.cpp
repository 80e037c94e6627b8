#include "devices/gateway.h"

#include <algorithm>
#include <array>
#include <boost/asio/as_tuple.hpp>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/read.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <boost/asio/write.hpp>
#include <utility>

namespace probekeeper::devices {
namespace {

namespace net = boost::asio;
using tcp = net::ip::tcp;

constexpr auto result = net::as_tuple(net::use_awaitable);
constexpr std::uint8_t target_failed_to_respond = 0x0b;

// Transaction, protocol and length, two bytes each, then the unit; the length counts the unit and the PDU.
using Header = std::array<std::uint8_t, 7>;

std::size_t pdu_size(Header const& header) {
    std::size_t const length = static_cast<std::size_t>(header[4]) << 8 | header[5];
    bool const modbus = header[2] == 0 && header[3] == 0;
    return modbus && length >= 2 && length <= 254 ? length - 1 : 0;
}

Bytes framed(Header header, Bytes const& pdu) {
    header[4] = static_cast<std::uint8_t>((pdu.size() + 1) >> 8);
    header[5] = static_cast<std::uint8_t>((pdu.size() + 1) & 0xff);
    Bytes frame(header.size() + pdu.size());
    std::copy(pdu.begin(), pdu.end(), std::copy(header.begin(), header.end(), frame.begin()));
    return frame;
}

net::awaitable<void> serve_client(tcp::socket client, Units units) {
    while (true) {
        Header header{};
        auto const [no_header, got] = co_await net::async_read(client, net::buffer(header), result);
        std::size_t const size = no_header ? 0 : pdu_size(header);
        if (size == 0) {
            co_return;
        }
        Bytes request(size);
        auto const [no_body, body] = co_await net::async_read(client, net::buffer(request), result);
        if (no_body) {
            co_return;
        }
        auto const image = units(header[6]);
        auto const pdu = image ? answer(request, *image) : exception_of(request[0], target_failed_to_respond);
        auto const frame = framed(header, pdu);
        auto const [not_sent, sent] = co_await net::async_write(client, net::buffer(frame), result);
        if (not_sent) {
            co_return;
        }
    }
}

}  // namespace

tcp::acceptor listen_on_loopback(net::io_context& io, std::uint16_t port) {
    return tcp::acceptor{io, tcp::endpoint{net::ip::address_v4::loopback(), port}};
}

net::awaitable<void> serve_gateway(tcp::acceptor acceptor, Units units) {
    while (true) {
        auto [failed, client] = co_await acceptor.async_accept(result);
        if (!failed) {
            net::co_spawn(acceptor.get_executor(), serve_client(std::move(client), units), net::detached);
        } else if (failed == net::error::operation_aborted) {
            co_return;
        }
    }
}

}  // namespace probekeeper::devices

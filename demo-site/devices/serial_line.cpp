#include "devices/serial_line.h"

#include <fcntl.h>

#include <array>
#include <boost/asio/as_tuple.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <boost/asio/write.hpp>
#include <cerrno>

namespace probekeeper::devices {
namespace {

namespace net = boost::asio;
using net::posix::stream_descriptor;

constexpr auto result = net::as_tuple(net::use_awaitable);
// 3.5 characters at 9600 baud are 4 ms. A pseudo-terminal has no baud rate but is passed on by a process
// (socat) that may have to wait for a processor, so a little longer.
constexpr std::chrono::milliseconds silence{8};
constexpr std::size_t longest_frame = 256;

// What is there now, without waiting. False where the line is gone.
bool take_what_is_there(stream_descriptor& line, Bytes& frame) {
    std::array<std::uint8_t, longest_frame> chunk{};
    boost::system::error_code failed;
    std::size_t const got = line.read_some(net::buffer(chunk), failed);
    frame.insert(frame.end(), chunk.begin(), chunk.begin() + static_cast<std::ptrdiff_t>(got));
    return !failed || failed == net::error::would_block;
}

}  // namespace

std::uint16_t crc16(std::span<std::uint8_t const> bytes) {
    std::uint16_t crc = 0xffff;
    for (auto const byte : bytes) {
        crc = static_cast<std::uint16_t>(crc ^ byte);
        for (int bit = 0; bit < 8; ++bit) {
            crc = static_cast<std::uint16_t>((crc & 1) != 0 ? (crc >> 1) ^ 0xa001 : crc >> 1);
        }
    }
    return crc;
}

stream_descriptor open_serial(net::io_context& io, std::string const& path) {
    int const fd = ::open(path.c_str(), O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0) {
        throw boost::system::system_error{errno, boost::system::system_category(), "cannot open " + path};
    }
    stream_descriptor line{io, fd};
    line.non_blocking(true);
    return line;
}

Bytes rtu_answer(std::span<std::uint8_t const> heard, Units const& units) {
    // Unit, function and CRC at the least. The CRC of a whole frame, its own CRC included, is zero.
    if (heard.size() < 4 || crc16(heard) != 0 || heard[0] == 0) {
        return {};
    }
    auto const image = units(heard[0]);
    if (!image) {
        return {};
    }
    Bytes frame{heard[0]};
    auto const pdu = answer(heard.subspan(1, heard.size() - 3), *image);
    frame.insert(frame.end(), pdu.begin(), pdu.end());
    auto const crc = crc16(frame);
    frame.push_back(static_cast<std::uint8_t>(crc & 0xff));
    frame.push_back(static_cast<std::uint8_t>(crc >> 8));
    return frame;
}

net::awaitable<void> serve_serial(stream_descriptor line, Units units) {
    net::steady_timer quiet{line.get_executor()};
    Bytes frame;
    while (true) {
        auto const [gone] = co_await line.async_wait(stream_descriptor::wait_read, result);
        if (gone) {
            co_return;
        }
        for (std::size_t before = frame.size() + 1; before != frame.size();) {
            before = frame.size();
            if (!take_what_is_there(line, frame)) {
                co_return;
            }
            if (before != frame.size()) {
                quiet.expires_after(silence);
                auto const [stopped] = co_await quiet.async_wait(result);
                if (stopped) {
                    co_return;
                }
            }
        }
        auto const reply = rtu_answer(frame, units);
        frame.clear();
        auto const [not_sent, sent] = co_await net::async_write(line, net::buffer(reply), result);
        if (not_sent) {
            co_return;
        }
    }
}

}  // namespace probekeeper::devices

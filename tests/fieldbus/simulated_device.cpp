#include "fieldbus/simulated_device.h"

#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <sys/eventfd.h>
#include <sys/socket.h>
#include <unistd.h>
#include <algorithm>
#include <stdexcept>

namespace probekeeper::fieldbus::test {
namespace {

constexpr std::size_t request_size = 12;

std::uint16_t word(Bytes const& bytes, std::size_t at) {
    return static_cast<std::uint16_t>((bytes[at] << 8) | bytes[at + 1]);
}

sockaddr_in loopback(std::uint16_t port) {
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_port = htons(port);
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    return address;
}

std::uint16_t bind_to(int socket, std::uint16_t port) {
    int const on = 1;
    ::setsockopt(socket, SOL_SOCKET, SO_REUSEADDR, &on, sizeof on);
    auto address = loopback(port);
    socklen_t size = sizeof address;
    if (::bind(socket, reinterpret_cast<sockaddr*>(&address), size) != 0 ||
        ::getsockname(socket, reinterpret_cast<sockaddr*>(&address), &size) != 0) {
        throw std::runtime_error{"cannot bind to loopback"};
    }
    return ntohs(address.sin_port);
}

}  // namespace

Bytes right_pdu(Request const& request, ValueAt const& value_at) {
    bool const words = request.function >= 3;
    std::size_t const size = words ? 2U * request.count : (request.count + 7U) / 8U;
    Bytes pdu{request.function, static_cast<std::uint8_t>(size)};
    pdu.resize(2 + size);
    for (std::size_t i = 0; i < request.count; ++i) {
        auto const value = value_at(request.function, request.address + static_cast<int>(i));
        if (words) {
            pdu[2 + 2 * i] = static_cast<std::uint8_t>(value >> 8);
            pdu[3 + 2 * i] = static_cast<std::uint8_t>(value & 0xFF);
        } else if (value != 0) {
            pdu[2 + i / 8] = static_cast<std::uint8_t>(pdu[2 + i / 8] | (1 << (i % 8)));
        }
    }
    return pdu;
}

Bytes exception_pdu(Request const& request, std::uint8_t code) {
    return {static_cast<std::uint8_t>(request.function | 0x80), code};
}

Bytes tcp_frame(Request const& request, Bytes const& pdu) {
    constexpr std::size_t header_size = 7;
    auto const length = pdu.size() + 1;
    Bytes frame(header_size + pdu.size());
    frame[0] = static_cast<std::uint8_t>(request.transaction >> 8);
    frame[1] = static_cast<std::uint8_t>(request.transaction & 0xFF);
    frame[4] = static_cast<std::uint8_t>(length >> 8);
    frame[5] = static_cast<std::uint8_t>(length & 0xFF);
    frame[6] = request.unit;
    std::copy(pdu.begin(), pdu.end(), frame.begin() + header_size);
    return frame;
}

SimulatedDevice::SimulatedDevice(std::function<Conduct(Request const&)> answer, std::uint16_t port)
    : answer_{std::move(answer)},
      listener_{::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0)},
      stop_{::eventfd(0, EFD_CLOEXEC)},
      port_{bind_to(listener_.get(), port)} {
    if (::listen(listener_.get(), SOMAXCONN) != 0) {
        throw std::runtime_error{"cannot listen on loopback"};
    }
    thread_ = std::thread{[this] { run(); }};
}

SimulatedDevice::~SimulatedDevice() {
    std::uint64_t const one = 1;
    if (::write(stop_.get(), &one, sizeof one) == sizeof one) {
        thread_.join();
    }
}

void SimulatedDevice::run() {
    std::vector<Descriptor> clients;
    for (;;) {
        std::vector<pollfd> watched{{stop_.get(), POLLIN, 0}, {listener_.get(), POLLIN, 0}};
        for (auto const& client : clients) {
            watched.push_back({client.get(), POLLIN, 0});
        }
        if (::poll(watched.data(), watched.size(), -1) < 0 || watched[0].revents != 0) {
            return;
        }
        for (std::size_t i = clients.size(); i-- > 0;) {
            if (watched[2 + i].revents != 0 && !serve(clients[i].get())) {
                clients.erase(clients.begin() + static_cast<std::ptrdiff_t>(i));
            }
        }
        if (watched[1].revents != 0) {
            clients.emplace_back(::accept4(listener_.get(), nullptr, nullptr, SOCK_CLOEXEC));
            int const on = 1;
            ::setsockopt(clients.back().get(), IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
            ++connections_;
        }
    }
}

bool SimulatedDevice::serve(int connection) {
    Request request;
    request.frame.resize(request_size);
    if (::recv(connection, request.frame.data(), request_size, MSG_WAITALL) !=
        static_cast<ssize_t>(request_size)) {
        return false;
    }
    request.transaction = word(request.frame, 0);
    request.unit = request.frame[6];
    request.function = request.frame[7];
    request.address = word(request.frame, 8);
    request.count = word(request.frame, 10);
    ++requests_;
    auto const conduct = answer_(request);
    for (auto const& piece : conduct.pieces) {
        ::send(connection, piece.data(), piece.size(), MSG_NOSIGNAL);
    }
    return !conduct.hang_up;
}

std::uint16_t deaf_port() {
    Descriptor const socket{::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0)};
    return bind_to(socket.get(), 0);
}

}  // namespace probekeeper::fieldbus::test

#include "modbus_peer.h"

#include <netinet/in.h>
#include <netinet/tcp.h>
#include <signal.h>
#include <sys/epoll.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <bit>
#include <cstdio>
#include <cstdlib>
#include <thread>

namespace probekeeper::bench {
namespace {

constexpr std::size_t request_bytes = 12;
constexpr std::size_t header_bytes = 7;
using Frame = std::array<std::uint8_t, 260>;

[[noreturn]] void fail(char const* what) {
    std::perror(what);
    std::exit(1);
}

// Registers 0 and 1: oxygen, around 8 mg/L; 2 and 3: temperature. A linear congruential generator is noise
// enough.
class Values {
public:
    std::array<std::uint16_t, 4> next() {
        state_ = state_ * 6364136223846793005ULL + 1442695040888963407ULL;
        auto const noise = [&](int shift) {
            return static_cast<float>((state_ >> shift) & 0xFFFU) / 4096.0F - 0.5F;
        };
        auto const oxygen = std::bit_cast<std::uint32_t>(8.0F + 0.06F * noise(40));
        auto const temperature = std::bit_cast<std::uint32_t>(14.5F + 0.02F * noise(52));
        return {static_cast<std::uint16_t>(oxygen >> 16U), static_cast<std::uint16_t>(oxygen & 0xFFFFU),
                static_cast<std::uint16_t>(temperature >> 16U),
                static_cast<std::uint16_t>(temperature & 0xFFFFU)};
    }

private:
    std::uint64_t state_ = 1;
};

// The whole answer to `request`: how many bytes of `out`.
std::size_t answer(std::uint8_t const* request, Values& values, Frame& out) {
    out = {};
    std::copy_n(request, 2, out.begin());
    out[6] = request[6];
    std::uint8_t const function = request[7];
    out[7] = function;
    auto const first = static_cast<std::size_t>(request[8] << 8U | request[9]);
    auto const count = static_cast<std::size_t>(request[10] << 8U | request[11]);
    bool const registers = function == 3 || function == 4;
    std::size_t const bytes = registers ? 2 * count : (count + 7) / 8;
    if ((!registers && function != 1 && function != 2) || bytes == 0 || bytes > 250) {
        out[5] = 3;
        out[7] = static_cast<std::uint8_t>(function | 0x80U);
        out[8] = 3;
        return header_bytes + 2;
    }
    out[5] = static_cast<std::uint8_t>(3 + bytes);
    out[8] = static_cast<std::uint8_t>(bytes);
    if (registers) {
        auto const words = values.next();
        for (std::size_t i = first; i < std::min(words.size(), first + count); ++i) {
            out[header_bytes + 2 + 2 * (i - first)] = static_cast<std::uint8_t>(words[i] >> 8U);
            out[header_bytes + 3 + 2 * (i - first)] = static_cast<std::uint8_t>(words[i] & 0xFFU);
        }
    }
    return header_bytes + 2 + bytes;
}

// False: the connection is over.
bool serve_one(int connection, Values& values, Conduct const& conduct) {
    std::array<std::uint8_t, request_bytes> request{};
    // A poller sends its twelve bytes in one piece, and the next ones after the answer.
    auto const got = ::recv(connection, request.data(), request.size(), MSG_DONTWAIT);
    if (got != static_cast<ssize_t>(request_bytes)) {
        return false;
    }
    if (request[6] > conduct.living_units) {
        return true;
    }
    if (conduct.takes.count() > 0) {
        std::this_thread::sleep_for(conduct.takes);
    }
    Frame out;
    auto const size = answer(request.data(), values, out);
    return ::send(connection, out.data(), size, MSG_NOSIGNAL) == static_cast<ssize_t>(size);
}

}  // namespace

Listener listen_on_loopback() {
    Listener made{::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0), 0};
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    socklen_t size = sizeof address;
    auto* const plain = reinterpret_cast<sockaddr*>(&address);
    if (made.socket < 0 || ::bind(made.socket, plain, size) != 0 || ::listen(made.socket, 64) != 0 ||
        ::getsockname(made.socket, plain, &size) != 0) {
        fail("listen");
    }
    made.port = ntohs(address.sin_port);
    return made;
}

void serve_modbus(std::vector<Listener> const& listeners, Conduct const& conduct) {
    ::prctl(PR_SET_TIMERSLACK, 1000UL, 0, 0, 0);
    int const watched = ::epoll_create1(EPOLL_CLOEXEC);
    auto const watch = [&](int socket, std::uint64_t is_listener) {
        epoll_event event{EPOLLIN, {}};
        event.data.u64 = is_listener << 32U | static_cast<std::uint64_t>(socket);
        if (::epoll_ctl(watched, EPOLL_CTL_ADD, socket, &event) != 0) {
            fail("epoll_ctl");
        }
    };
    for (auto const& listener : listeners) {
        watch(listener.socket, 1);
    }
    Values values;
    std::array<epoll_event, 64> events{};
    for (;;) {
        int const ready = ::epoll_wait(watched, events.data(), static_cast<int>(events.size()), -1);
        for (int i = 0; i < ready; ++i) {
            auto const data = events[static_cast<std::size_t>(i)].data.u64;
            int const socket = static_cast<int>(data & 0xFFFFFFFFU);
            if (data >> 32U == 0) {
                if (!serve_one(socket, values, conduct)) {
                    ::close(socket);
                }
            } else if (int const connection = ::accept4(socket, nullptr, nullptr, SOCK_CLOEXEC);
                       connection >= 0) {
                int const on = 1;
                ::setsockopt(connection, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
                watch(connection, 0);
            }
        }
    }
}

pid_t Child::begin() {
    pid_t const pid = ::fork();
    if (pid < 0) {
        fail("fork");
    }
    if (pid == 0) {
        ::prctl(PR_SET_PDEATHSIG, SIGKILL);
    }
    return pid;
}

Child::~Child() {
    ::kill(pid_, SIGKILL);
    ::waitpid(pid_, nullptr, 0);
}

}  // namespace probekeeper::bench

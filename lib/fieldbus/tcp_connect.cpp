#include "fieldbus/tcp_connect.h"

#include <netdb.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <sys/socket.h>
#include <cerrno>
#include <memory>

#include "fieldbus/wait.h"

namespace probekeeper::fieldbus {
namespace {

struct AddressesFreed {
    void operator()(addrinfo* list) const noexcept { ::freeaddrinfo(list); }
};
using Addresses = std::unique_ptr<addrinfo, AddressesFreed>;

LinkResult<Addresses> addresses_of(std::string const& host, std::uint16_t port) {
    addrinfo hints{};
    hints.ai_family = AF_UNSPEC;
    hints.ai_socktype = SOCK_STREAM;
    hints.ai_flags = AI_NUMERICSERV;
    addrinfo* list = nullptr;
    int const failed = ::getaddrinfo(host.c_str(), std::to_string(port).c_str(), &hints, &list);
    if (failed != 0) {
        return LinkError{Fault::unreachable, failed == EAI_SYSTEM ? errno : failed};
    }
    return Addresses{list};
}

LinkError classify(int error) {
    switch (error) {
        case ECONNREFUSED:
            return {Fault::refused, error};
        case ETIMEDOUT:
            return {Fault::timed_out, error};
        default:
            return {Fault::unreachable, error};
    }
}

// 0, or the errno of the attempt.
int connect_within(int fd, addrinfo const& address, std::chrono::milliseconds timeout) {
    if (::connect(fd, address.ai_addr, address.ai_addrlen) == 0) {
        return 0;
    }
    if (errno != EINPROGRESS) {
        return errno;
    }
    if (wait_until(fd, Readiness::writable, SteadyClock::now() + timeout) == Waited::in_vain) {
        return ETIMEDOUT;
    }
    int error = 0;
    socklen_t size = sizeof error;
    return ::getsockopt(fd, SOL_SOCKET, SO_ERROR, &error, &size) == 0 ? error : errno;
}

void set_options(int fd) {
    int const on = 1;
    unsigned const unacknowledged_ms = 10'000;
    // NODELAY makes a request quicker. USER_TIMEOUT and KEEPALIVE end the connection to a device that was
    // switched off or cut off, which says nothing, while one whose units are silent still acknowledges what
    // it is sent. A socket without them works, so a failure is not looked at.
    ::setsockopt(fd, IPPROTO_TCP, TCP_USER_TIMEOUT, &unacknowledged_ms, sizeof unacknowledged_ms);
    ::setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
    ::setsockopt(fd, SOL_SOCKET, SO_KEEPALIVE, &on, sizeof on);
}

LinkResult<Descriptor> connect_to(addrinfo const& address, std::chrono::milliseconds timeout) {
    Descriptor socket{sockets::moved_up(
        ::socket(address.ai_family, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, address.ai_protocol))};
    if (!socket) {
        bool const exhausted = errno == EMFILE || errno == ENFILE;
        return LinkError{exhausted ? Fault::no_descriptor : Fault::unreachable, errno};
    }
    set_options(socket.get());
    int const error = connect_within(socket.get(), address, timeout);
    if (error != 0) {
        return classify(error);
    }
    return socket;
}

}  // namespace

LinkResult<Descriptor> tcp_connect(std::string const& host, std::uint16_t port,
                                   std::chrono::milliseconds timeout) {
    auto addresses = addresses_of(host, port);
    if (!addresses) {
        return addresses.error();
    }
    LinkError last{Fault::unreachable, EHOSTUNREACH};
    for (auto const* address = addresses->get(); address != nullptr; address = address->ai_next) {
        auto connected = connect_to(*address, timeout);
        if (connected) {
            return connected;
        }
        last = connected.error();
    }
    return last;
}

}  // namespace probekeeper::fieldbus

// What comes back on a Modbus TCP connection: the real line over a socket, against a device that sends the
// input and closes. The bytes are there before the request, so that nothing waits.
#include <arpa/inet.h>
#include <sys/socket.h>
#include <unistd.h>

#include "fieldbus/line.h"
#include "fuzz/fuzz.h"

using namespace probekeeper;

namespace {

// Listens on loopback for good.
class Device {
public:
    Device() : listener_{::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0)} {
        sockaddr_in at{};
        at.sin_family = AF_INET;
        at.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
        socklen_t size = sizeof at;
        bool const listens = ::bind(listener_, reinterpret_cast<sockaddr*>(&at), size) == 0 &&
                             ::listen(listener_, 1) == 0 &&
                             ::getsockname(listener_, reinterpret_cast<sockaddr*>(&at), &size) == 0;
        fuzz::require(listens, "a port of loopback is free");
        port_ = ntohs(at.sin_port);
    }
    [[nodiscard]] std::uint16_t port() const { return port_; }
    [[nodiscard]] int accept() const { return ::accept4(listener_, nullptr, nullptr, SOCK_CLOEXEC); }

private:
    int listener_;
    std::uint16_t port_ = 0;
};

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(std::uint8_t const* data, std::size_t size) {
    static Device const device;
    constexpr std::size_t most = 4096;  // well below a socket's buffer
    FuzzedDataProvider input{data, std::min(size, most)};
    fleet::Line settings;
    settings.host = "127.0.0.1";
    settings.port = device.port();
    fieldbus::Block const block{input.PickValueInArray({fleet::Table::coil, fleet::Table::discrete,
                                                        fleet::Table::input, fleet::Table::holding}),
                                input.ConsumeIntegral<std::uint16_t>(),
                                input.ConsumeIntegralInRange<std::uint16_t>(1, 125)};
    auto const unit = input.ConsumeIntegralInRange(0, 255);
    auto const answers = input.ConsumeRemainingBytes<std::uint8_t>();

    fieldbus::Line line{settings};
    fuzz::require(line.open().has_value(), "a device on loopback can be reached");
    int const peer = device.accept();
    ::send(peer, answers.data(), answers.size(), MSG_NOSIGNAL);
    ::shutdown(peer, SHUT_WR);
    constexpr int requests = 4;
    for (int i = 0; i < requests && line.is_open(); ++i) {
        std::vector<std::uint16_t> words;
        auto const read = line.read(unit, block, words);
        fuzz::require(!read || words.size() == block.count, "an answer has what was asked for");
    }
    linger const at_once{1, 0};  // no port stays in TIME_WAIT: there are only so many of them
    ::setsockopt(peer, SOL_SOCKET, SO_LINGER, &at_once, sizeof at_once);
    ::close(peer);
    return 0;
}

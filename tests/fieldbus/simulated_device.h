// A Modbus TCP device on loopback that a test can make misbehave: its own thread, raw sockets, a port of its
// own.
#pragma once

#include <atomic>
#include <cstdint>
#include <functional>
#include <thread>
#include <vector>

#include "fieldbus/descriptors.h"

namespace probekeeper::fieldbus::test {

using Bytes = std::vector<std::uint8_t>;

struct Request {
    std::uint16_t transaction = 0;  // TCP only
    std::uint8_t unit = 0, function = 0;
    std::uint16_t address = 0, count = 0;
    Bytes frame;  // as it came
};

// The PDU of a right answer, each register or bit of it given by `value_at(function, address)`.
using ValueAt = std::function<std::uint16_t(std::uint8_t function, int address)>;
[[nodiscard]] Bytes right_pdu(Request const& request, ValueAt const& value_at);
[[nodiscard]] Bytes exception_pdu(Request const& request, std::uint8_t code);
// Behind a TCP header that fits `request`.
[[nodiscard]] Bytes tcp_frame(Request const& request, Bytes const& pdu);

// What a device does with one request: the pieces it sends, one after the other, and whether it hangs up
// then.
struct Conduct {
    std::vector<Bytes> pieces;
    bool hang_up = false;
};
[[nodiscard]] inline Conduct says(Bytes frame) {
    return {{std::move(frame)}};
}
[[nodiscard]] inline Conduct stays_silent() {
    return {};
}

class SimulatedDevice {
public:
    // `answer` is called in the device's thread for each request in turn. Any number of connections at once.
    explicit SimulatedDevice(std::function<Conduct(Request const&)> answer, std::uint16_t port = 0);
    ~SimulatedDevice();
    SimulatedDevice(SimulatedDevice const&) = delete;
    SimulatedDevice& operator=(SimulatedDevice const&) = delete;

    [[nodiscard]] std::uint16_t port() const { return port_; }
    [[nodiscard]] int connections() const { return connections_; }
    [[nodiscard]] int requests() const { return requests_; }

private:
    void run();
    // False: the connection is over.
    bool serve(int connection);

    std::function<Conduct(Request const&)> answer_;
    Descriptor listener_, stop_;
    std::uint16_t port_ = 0;
    std::atomic<int> connections_ = 0, requests_ = 0;
    std::thread thread_;
};

// A port on loopback that nothing listens on.
[[nodiscard]] std::uint16_t deaf_port();

}  // namespace probekeeper::fieldbus::test

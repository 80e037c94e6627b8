// A Modbus RTU device at the far end of a pseudo terminal, with the times at which bytes came and went.
#pragma once

#include <chrono>
#include <condition_variable>
#include <functional>
#include <mutex>
#include <string>
#include <thread>
#include <vector>

#include "fieldbus/simulated_device.h"
#include "fieldbus/wait.h"

namespace probekeeper::fieldbus::test {

// A second CRC, bit by bit, to check the library's against. Low byte first on the wire.
[[nodiscard]] std::uint16_t crc16(Bytes const& bytes);
// Unit and PDU with their CRC.
[[nodiscard]] Bytes rtu_frame(std::uint8_t unit, Bytes const& pdu);

struct Heard {
    Bytes frame;
    SteadyTime came{};      // its last byte
    SteadyTime answered{};  // just before the last byte of the answer was sent; unset if silent
};

class SerialDevice {
public:
    // `answer` gives the bytes to send back, nothing for silence. Called in the device's thread.
    explicit SerialDevice(std::function<Bytes(Request const&)> answer);
    ~SerialDevice();
    SerialDevice(SerialDevice const&) = delete;
    SerialDevice& operator=(SerialDevice const&) = delete;

    [[nodiscard]] std::string const& path() const { return path_; }
    [[nodiscard]] std::vector<Heard> heard() const;
    // Sends unasked.
    void send(Bytes const& bytes);
    // Whether what was sent has reached the line's end and lies there unread; waits for it. The kernel hands
    // bytes over in a thread of its own.
    [[nodiscard]] bool delivered() const;
    // Pulls the plug: the far end of the terminal is closed.
    void vanish();

private:
    void run();

    std::function<Bytes(Request const&)> answer_;
    Descriptor master_, slave_, stop_;
    std::string path_;
    mutable std::mutex mutex_;
    std::vector<Heard> heard_;
    std::thread thread_;
};

}  // namespace probekeeper::fieldbus::test

#include "fieldbus/serial_device.h"

#include <poll.h>
#include <pty.h>
#include <sys/eventfd.h>
#include <termios.h>
#include <unistd.h>
#include <algorithm>
#include <array>
#include <stdexcept>

namespace probekeeper::fieldbus::test {
namespace {

constexpr std::size_t request_size = 8;

}  // namespace

std::uint16_t crc16(Bytes const& bytes) {
    unsigned crc = 0xFFFF;
    for (auto const byte : bytes) {
        crc ^= byte;
        for (int bit = 0; bit < 8; ++bit) {
            crc = (crc & 1) != 0 ? (crc >> 1) ^ 0xA001 : crc >> 1;
        }
    }
    return static_cast<std::uint16_t>(crc);
}

Bytes rtu_frame(std::uint8_t unit, Bytes const& pdu) {
    // Not vector::insert: GCC 12 sees an overflow in it that is not there, and warns.
    Bytes frame(1 + pdu.size(), unit);
    std::copy(pdu.begin(), pdu.end(), frame.begin() + 1);
    auto const crc = crc16(frame);
    frame.push_back(static_cast<std::uint8_t>(crc & 0xFF));
    frame.push_back(static_cast<std::uint8_t>(crc >> 8));
    return frame;
}

SerialDevice::SerialDevice(std::function<Bytes(Request const&)> answer)
    : answer_{std::move(answer)}, stop_{::eventfd(0, EFD_CLOEXEC)} {
    int master = -1, slave = -1;
    std::array<char, 128> name{};
    termios raw{};
    ::cfmakeraw(&raw);
    if (::openpty(&master, &slave, name.data(), &raw, nullptr) != 0) {
        throw std::runtime_error{"cannot open a pseudo terminal"};
    }
    master_.reset(master);
    slave_.reset(slave);  // kept open, so that the master lives on when the line closes
    path_ = name.data();
    thread_ = std::thread{[this] { run(); }};
}

SerialDevice::~SerialDevice() {
    vanish();
}

std::vector<Heard> SerialDevice::heard() const {
    std::scoped_lock const lock{mutex_};
    return heard_;
}

void SerialDevice::send(Bytes const& bytes) {
    if (::write(master_.get(), bytes.data(), bytes.size()) != static_cast<ssize_t>(bytes.size())) {
        throw std::runtime_error{"cannot write to the pseudo terminal"};
    }
}

bool SerialDevice::delivered() const {
    return wait_until(slave_.get(), Readiness::readable, SteadyClock::now() + std::chrono::seconds{10}) ==
           Waited::ready;
}

void SerialDevice::vanish() {
    if (thread_.joinable()) {
        std::uint64_t const one = 1;
        if (::write(stop_.get(), &one, sizeof one) == sizeof one) {
            thread_.join();
        }
    }
    slave_.reset();
    master_.reset();
}

void SerialDevice::run() {
    Bytes pending;
    for (;;) {
        std::array<pollfd, 2> watched{{{stop_.get(), POLLIN, 0}, {master_.get(), POLLIN, 0}}};
        if (::poll(watched.data(), watched.size(), -1) < 0 || watched[0].revents != 0) {
            return;
        }
        std::array<std::uint8_t, 256> buffer{};
        auto const got = ::read(master_.get(), buffer.data(), buffer.size());
        if (got <= 0) {
            return;
        }
        pending.insert(pending.end(), buffer.begin(), buffer.begin() + got);
        if (pending.size() < request_size) {
            continue;
        }
        Heard heard{pending, SteadyClock::now(), {}};
        Request request;
        request.unit = pending[0];
        request.function = pending[1];
        request.address = static_cast<std::uint16_t>((pending[2] << 8) | pending[3]);
        request.count = static_cast<std::uint16_t>((pending[4] << 8) | pending[5]);
        request.frame = std::exchange(pending, {});
        auto const answer = answer_(request);
        if (!answer.empty()) {
            heard.answered = SteadyClock::now();
        }
        {
            std::scoped_lock const lock{mutex_};
            heard_.push_back(heard);
        }
        if (!answer.empty()) {
            send(answer);
        }
    }
}

}  // namespace probekeeper::fieldbus::test

// A serial line. libmodbus sends and receives the frames and keeps the CRC; the descriptor, the silences and
// the checks of an answer are ours.
#include <sys/ioctl.h>
#include <termios.h>
#include <algorithm>
#include <array>
#include <cerrno>
#include <new>
#include <span>
#include <thread>

#include <modbus/modbus.h>

#include "fieldbus/answer.h"
#include "fieldbus/serial_port.h"
#include "fieldbus/timing.h"
#include "fieldbus/wire.h"

namespace probekeeper::fieldbus {
namespace {

using Frame = std::array<std::uint8_t, MODBUS_MAX_ADU_LENGTH>;

// libmodbus takes what is left until `deadline` as its response timeout; it must be positive.
void limit_receiving(modbus_t* context, SteadyTime deadline) {
    auto const left = std::max(micros(deadline - SteadyClock::now()), std::chrono::microseconds{1000});
    auto const whole = std::chrono::floor<std::chrono::seconds>(left);
    ::modbus_set_response_timeout(context, static_cast<std::uint32_t>(whole.count()),
                                  static_cast<std::uint32_t>((left - whole).count()));
}

constexpr std::size_t crc_bytes = 2;

// The answer of some unit to some read, or an exception, as far as its own bytes say how long it is.
std::span<std::uint8_t const> foreign_frame(Frame const& frame) {
    constexpr std::size_t exception_pdu_bytes = 2;
    std::size_t const pdu_bytes = (frame[1] & 0x80) != 0 ? exception_pdu_bytes : std::size_t{2} + frame[2];
    return std::span{frame}.first(std::min(1 + pdu_bytes + crc_bytes, frame.size()));
}

// CRC-16 of the MODBUS over Serial Line guide V1.02, 6.2.2: over a frame with its own CRC it is zero.
bool crc_fits(std::span<std::uint8_t const> frame) {
    unsigned crc = 0xFFFF;
    for (auto const byte : frame) {
        crc ^= byte;
        for (int bit = 0; bit < 8; ++bit) {
            crc = (crc & 1) != 0 ? (crc >> 1) ^ 0xA001 : crc >> 1;
        }
    }
    return crc == 0;
}

// The fault of a failed modbus_receive_confirmation; a beginning of the answer had come.
LinkError classify_receive(int error) {
    if (error == ETIMEDOUT || error == ECONNRESET) {
        return {Fault::short_frame, error};
    }
    if (error == EMBBADCRC) {
        return {Fault::bad_crc, 0};
    }
    return error >= MODBUS_ENOBASE ? wrong(WrongReply::length) : closed(error);
}

class SerialWire final : public Wire {
public:
    // The settings given to libmodbus are never used: it is handed an opened device.
    explicit SerialWire(fleet::Line const& line)
        : Wire{line},
          context_{::modbus_new_rtu(line.device.c_str(), line.baud, 'N', line.data_bits, line.stop_bits)},
          timing_{timing_of(line)} {
        if (!context_) {
            throw std::bad_alloc{};  // libmodbus refuses only bad settings, which were checked, or for memory
        }
        ::modbus_set_error_recovery(context_.get(), MODBUS_ERROR_RECOVERY_NONE);
        // Zero, explicitly: no separate limit between bytes, the whole answer has to be in by the deadline.
        ::modbus_set_byte_timeout(context_.get(), 0, 0);
    }
    ~SerialWire() override { SerialWire::close(); }

    LinkResult<void> open() override {
        close();
        auto opened = open_serial(line_);
        if (!opened) {
            return opened.error();
        }
        port_ = std::move(*opened);
        ::modbus_set_socket(context_.get(), port_.get());
        quiet_since_ = SteadyClock::now();
        return {};
    }

    // Never modbus_close: it would restore terminal settings it has not saved.
    void close() noexcept override {
        release_serial(port_);
        ::modbus_set_socket(context_.get(), -1);
    }

    bool usable() override { return is_open(); }

    LinkResult<std::chrono::microseconds> read(std::uint8_t unit, Block const& block,
                                               std::vector<std::uint16_t>& out) override {
        auto const exchanged = exchange(unit, block, out);
        if (!exchanged) {
            // libmodbus or the driver may hold more of a frame that went wrong; what comes later than this is
            // caught by keep_silence before the next request.
            ::modbus_flush(context_.get());
            if (exchanged.error().fault == Fault::closed_by_peer) {
                close();
            }
        }
        return exchanged;
    }

private:
    struct ModbusFreed {
        void operator()(modbus_t* context) const noexcept { ::modbus_free(context); }
    };

    // Returns when the line has been quiet for the legal gap. A byte that arrives meanwhile belongs to an
    // answer given up before: it is thrown away and the gap begins again; a line that is never quiet is left
    // to the CRC after a few rounds.
    void keep_silence() {
        constexpr int rounds = 8;
        for (int round = 0; round < rounds; ++round) {
            std::this_thread::sleep_until(quiet_since_ + timing_.gap);
            int pending = 0;
            if (::ioctl(port_.get(), FIONREAD, &pending) != 0 || pending == 0) {
                return;
            }
            ::tcflush(port_.get(), TCIFLUSH);
            quiet_since_ = SteadyClock::now();
        }
    }

    LinkResult<std::chrono::microseconds> exchange(std::uint8_t unit, Block const& block,
                                                   std::vector<std::uint16_t>& out) {
        // Tells libmodbus whose answer to accept. Unit 0 is a broadcast, which nobody answers; above 247
        // libmodbus itself refuses.
        if (unit == 0 || ::modbus_set_slave(context_.get(), unit) != 0) {
            return LinkError{Fault::wrong_unit, unit};
        }
        keep_silence();
        auto const started = SteadyClock::now();
        auto const sent = send(unit, block);
        if (!sent) {
            return sent.error();
        }
        auto const request_end = started + timing_.frame(request_bytes);
        quiet_since_ = request_end;
        auto const answer_time = timing_.frame(1 + answer_pdu_bytes(block) + crc_bytes);
        auto const deadline = request_end + timeout_ + answer_time;
        if (wait_until(port_.get(), Readiness::readable, deadline) == Waited::in_vain) {
            return LinkError{Fault::timed_out, 0};
        }
        auto const received = receive(block, deadline, out);
        quiet_since_ = SteadyClock::now();
        if (!received) {
            return received.error();
        }
        return micros(quiet_since_ - started);
    }

    LinkResult<void> send(std::uint8_t unit, Block const& block) {
        auto const pdu = request_pdu(block);
        std::array<std::uint8_t, 1 + pdu.size()> request{unit};
        std::copy(pdu.begin(), pdu.end(), request.begin() + 1);
        if (::modbus_send_raw_request(context_.get(), request.data(), static_cast<int>(request.size())) < 0) {
            return closed(errno);
        }
        return {};
    }

    LinkResult<void> receive(Block const& block, SteadyTime deadline, std::vector<std::uint16_t>& out) {
        Frame frame{};
        limit_receiving(context_.get(), deadline);
        int const got = ::modbus_receive_confirmation(context_.get(), frame.data());
        if (got < 0) {
            // A read of nothing from a device that polls as readable means that it is gone.
            return errno == ECONNRESET ? closed(errno) : classify_receive(errno);
        }
        if (got == 0) {
            // libmodbus passes over the frame of another unit before it has looked at the CRC.
            return crc_fits(foreign_frame(frame)) ? LinkError{Fault::wrong_unit, frame[0]}
                                                  : LinkError{Fault::bad_crc, 0};
        }
        return unpack_answer(block,
                             std::span{frame}.subspan(1, static_cast<std::size_t>(got) - 1 - crc_bytes), out);
    }

    std::unique_ptr<modbus_t, ModbusFreed> context_;
    SerialTiming timing_;
    SteadyTime quiet_since_{};  // the end of the last byte on the wire, ours or theirs
};

}  // namespace

std::unique_ptr<Wire> make_serial_wire(fleet::Line const& line) {
    return std::make_unique<SerialWire>(line);
}

}  // namespace probekeeper::fieldbus

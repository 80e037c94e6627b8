#include "fieldbus/line.h"

#include <sys/ioctl.h>
#include <sys/socket.h>
#include <termios.h>
#include <algorithm>
#include <array>
#include <cassert>
#include <cerrno>
#include <span>
#include <thread>

#include <modbus/modbus.h>

#include "fieldbus/answer.h"
#include "fieldbus/serial_port.h"
#include "fieldbus/tcp_connect.h"
#include "fieldbus/timing.h"
#include "fieldbus/wait.h"

namespace probekeeper::fieldbus {
namespace {

struct ModbusFreed {
    void operator()(modbus_t* context) const noexcept { ::modbus_free(context); }
};
using ModbusHandle = std::unique_ptr<modbus_t, ModbusFreed>;

using Frame = std::array<std::uint8_t, MODBUS_MAX_ADU_LENGTH>;

std::chrono::microseconds micros(SteadyClock::duration d) {
    return std::chrono::duration_cast<std::chrono::microseconds>(std::max(d, SteadyClock::duration::zero()));
}

LinkError closed(int error) {
    return {Fault::closed_by_peer, error};
}

LinkError wrong(WrongReply what) {
    return {Fault::wrong_reply, static_cast<int>(what)};
}

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

}  // namespace

// What TCP and serial lines have in common: a descriptor of ours inside a libmodbus context.
class Line::Wire {
public:
    Wire(modbus_t* context, fleet::Line const& line)
        : context_{context}, line_{line}, timeout_{std::chrono::milliseconds{line.timeout_ms}} {
        if (!context_) {
            throw std::bad_alloc{};  // libmodbus refuses only bad settings, which were checked, or for memory
        }
        ::modbus_set_error_recovery(context_.get(), MODBUS_ERROR_RECOVERY_NONE);
        // Zero, explicitly: no separate limit between bytes, the whole answer has to be in by the deadline.
        ::modbus_set_byte_timeout(context_.get(), 0, 0);
    }
    virtual ~Wire() = default;
    Wire(Wire const&) = delete;
    Wire& operator=(Wire const&) = delete;

    virtual LinkResult<void> open() = 0;
    virtual void close() noexcept = 0;
    virtual bool usable() = 0;
    virtual LinkResult<Exchange> read(int unit, Block const& block, std::vector<std::uint16_t>& out) = 0;
    [[nodiscard]] bool is_open() const noexcept { return static_cast<bool>(port_); }

protected:
    // Never modbus_close: it would restore terminal settings it has not saved.
    void adopt(Descriptor port) {
        port_ = std::move(port);
        ::modbus_set_socket(context_.get(), port_.get());
    }

    ModbusHandle context_;
    fleet::Line line_;
    std::chrono::milliseconds timeout_;
    Descriptor port_;
};

class Line::TcpWire final : public Line::Wire {
public:
    // The address given to libmodbus is never used: it is handed a connected socket.
    explicit TcpWire(fleet::Line const& line) : Wire{::modbus_new_tcp("127.0.0.1", line.port), line} {}

    LinkResult<void> open() override {
        close();
        auto connected = tcp_connect(line_.host, line_.port, timeout_);
        if (!connected) {
            return connected.error();
        }
        adopt(std::move(*connected));
        sent_here_ = 0;
        unanswered_ = 0;
        return {};
    }

    void close() noexcept override { adopt(Descriptor{}); }

    bool usable() override { return port_ && drain(); }

    LinkResult<Exchange> read(int unit, Block const& block, std::vector<std::uint16_t>& out) override {
        ++transaction_;
        auto const exchanged = exchange(static_cast<std::uint8_t>(unit), block, out);
        sent_here_ = std::min(sent_here_ + 1, remembered);
        settle(exchanged);
        return exchanged;
    }

private:
    static constexpr std::size_t header_bytes = 7;  // transaction, protocol, length, unit
    static constexpr int unanswered_until_closed = 4;
    static constexpr int remembered = 32'767;  // half of the identifiers, so that old and new never mix

    // Throws away what came unasked: while no request is under way, nothing can be an answer. False: closed.
    bool drain() {
        Frame rest;
        for (;;) {
            auto const got = ::recv(port_.get(), rest.data(), rest.size(), MSG_DONTWAIT);
            if (got == 0 || (got < 0 && errno != EINTR)) {
                return got < 0 && (errno == EAGAIN || errno == EWOULDBLOCK);
            }
        }
    }

    LinkResult<Exchange> exchange(std::uint8_t unit, Block const& block, std::vector<std::uint16_t>& out) {
        auto const started = SteadyClock::now();
        auto const sent = send(unit, block);
        if (!sent) {
            return sent.error();
        }
        auto const deadline = started + timeout_;
        Frame frame;
        SteadyTime begun{};
        std::size_t size = 0;
        do {
            auto const received = receive(frame, deadline, begun);
            if (!received) {
                return received.error();
            }
            size = *received;
        } while (is_of_earlier_request(transaction_of(frame)));
        auto const checked = check(std::span{frame}.first(size), unit, block, out);
        if (!checked) {
            return checked.error();
        }
        return Exchange{micros(begun - started), micros(SteadyClock::now() - started)};
    }

    LinkResult<void> send(std::uint8_t unit, Block const& block) {
        auto const pdu = request_pdu(block);
        std::array<std::uint8_t, header_bytes + pdu.size()> adu{
            static_cast<std::uint8_t>(transaction_ >> 8),
            static_cast<std::uint8_t>(transaction_ & 0xFF),
            0,
            0,
            0,
            1 + pdu.size(),
            unit};
        std::copy(pdu.begin(), pdu.end(), adu.begin() + header_bytes);
        auto const sent = ::send(port_.get(), adu.data(), adu.size(), MSG_NOSIGNAL);
        // Twelve bytes fit any socket buffer, unless the peer has long stopped to take what is sent.
        return sent == static_cast<ssize_t>(adu.size()) ? LinkResult<void>{} : closed(sent < 0 ? errno : 0);
    }

    // One frame, of whichever request: its size. `begun` becomes the instant of its first byte.
    LinkResult<std::size_t> receive(Frame& frame, SteadyTime deadline, SteadyTime& begun) {
        auto const waited = wait_until(port_.get(), Readiness::readable, deadline);
        if (waited == Waited::in_vain) {
            return LinkError{Fault::timed_out, 0};
        }
        begun = SteadyClock::now();
        if (waited == Waited::hung_up) {
            std::uint8_t first = 0;
            auto const peeked = ::recv(port_.get(), &first, 1, MSG_PEEK | MSG_DONTWAIT);
            if (peeked <= 0) {
                return closed(peeked < 0 ? errno : 0);
            }
        }
        limit_receiving(context_.get(), deadline);
        int const got = ::modbus_receive_confirmation(context_.get(), frame.data());
        if (got < 0) {
            return classify_receive(errno);
        }
        return static_cast<std::size_t>(got);
    }

    static std::uint16_t transaction_of(Frame const& frame) {
        return static_cast<std::uint16_t>((frame[0] << 8) | frame[1]);
    }

    LinkResult<void> check(std::span<std::uint8_t const> frame, std::uint8_t unit, Block const& block,
                           std::vector<std::uint16_t>& out) const {
        if (((frame[0] << 8) | frame[1]) != transaction_) {
            return wrong(WrongReply::transaction);
        }
        if (frame[2] != 0 || frame[3] != 0) {
            return wrong(WrongReply::protocol);
        }
        if (frame[6] != unit) {
            return LinkError{Fault::wrong_unit, frame[6]};
        }
        auto const said = static_cast<std::size_t>((frame[4] << 8) | frame[5]) + 6;
        auto const unpacked = unpack_answer(block, frame.subspan(header_bytes), out);
        if (unpacked && said != frame.size()) {
            return wrong(WrongReply::length);
        }
        return unpacked;
    }

    // Sent on this connection before the present one: given up meanwhile, or answered twice.
    bool is_of_earlier_request(std::uint16_t transaction) const {
        int const age = static_cast<std::uint16_t>(transaction_ - transaction);
        return age >= 1 && age <= sent_here_;
    }

    // Leaves the connection in a state in which the next answer is the next request's, or closes it.
    void settle(LinkResult<Exchange> const& exchanged) {
        auto const fault = exchanged ? Fault::none : exchanged.error().fault;
        if (fault == Fault::none || fault == Fault::exception) {
            unanswered_ = 0;
            return;
        }
        if (fault != Fault::timed_out || ++unanswered_ == unanswered_until_closed) {
            close();
        }
    }

    std::uint16_t transaction_ = 0;
    int sent_here_ = 0;  // requests on this connection, the present one not counted
    int unanswered_ = 0;
};

class Line::SerialWire final : public Line::Wire {
public:
    // The settings given to libmodbus are never used: it is handed an opened device.
    explicit SerialWire(fleet::Line const& line)
        : Wire{::modbus_new_rtu(line.device.c_str(), line.baud, 'N', line.data_bits, line.stop_bits), line},
          timing_{timing_of(line)} {}
    ~SerialWire() override { SerialWire::close(); }

    LinkResult<void> open() override {
        close();
        auto opened = open_serial(line_);
        if (!opened) {
            return opened.error();
        }
        adopt(std::move(*opened));
        quiet_since_ = SteadyClock::now();
        return {};
    }

    void close() noexcept override {
        release_serial(port_);
        ::modbus_set_socket(context_.get(), -1);
    }

    bool usable() override { return is_open(); }

    LinkResult<Exchange> read(int unit, Block const& block, std::vector<std::uint16_t>& out) override {
        auto const exchanged = exchange(static_cast<std::uint8_t>(unit), block, out);
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

    LinkResult<Exchange> exchange(std::uint8_t unit, Block const& block, std::vector<std::uint16_t>& out) {
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
        auto const begun = SteadyClock::now();
        auto const received = receive(block, deadline, out);
        quiet_since_ = SteadyClock::now();
        if (!received) {
            return received.error();
        }
        return Exchange{micros(begun - request_end), micros(quiet_since_ - started)};
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

    SerialTiming timing_;
    SteadyTime quiet_since_{};  // the end of the last byte on the wire, ours or theirs
};

Line::Line(fleet::Line const& line) {
    if (line.transport == fleet::Transport::tcp) {
        wire_ = std::make_unique<TcpWire>(line);
    } else {
        wire_ = std::make_unique<SerialWire>(line);
    }
}

Line::~Line() = default;

LinkResult<void> Line::open() {
    return wire_->open();
}

void Line::close() noexcept {
    wire_->close();
}

bool Line::usable() {
    return wire_->usable();
}

bool Line::is_open() const noexcept {
    return wire_->is_open();
}

LinkResult<Exchange> Line::read(int unit, Block const& block, std::vector<std::uint16_t>& out) {
    assert(is_open());
    assert(block.count >= 1 &&
           block.count <= (block.table == fleet::Table::coil || block.table == fleet::Table::discrete
                               ? bits_per_read
                               : registers_per_read));
    return wire_->read(unit, block, out);
}

}  // namespace probekeeper::fieldbus

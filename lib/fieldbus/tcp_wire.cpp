// A Modbus TCP connection. The framing is ours: no select(), so any descriptor will do, and one call a frame.
// Source: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3.
#include <sys/socket.h>
#include <algorithm>
#include <array>
#include <cerrno>
#include <span>

#include "fieldbus/answer.h"
#include "fieldbus/tcp_connect.h"
#include "fieldbus/wire.h"

namespace probekeeper::fieldbus {
namespace {

// Transaction, protocol, length, unit. The length counts what comes behind it, the unit too.
constexpr std::size_t header_bytes = 7, counted_from = 6;
constexpr std::size_t longest_counted = 254;
constexpr int unanswered_until_closed = 4;
constexpr int remembered = 32'767;  // half of the identifiers, so that old and new never mix

class TcpWire final : public Wire {
public:
    using Wire::Wire;

    LinkResult<void> open() override {
        close();
        auto connected = tcp_connect(line_.host, line_.port, timeout_);
        if (!connected) {
            return connected.error();
        }
        port_ = std::move(*connected);
        sent_here_ = 0;
        unanswered_ = 0;
        return {};
    }

    void close() noexcept override {
        port_.reset();
        size_ = 0;
    }

    // Throws away what came unasked: while no request is under way, nothing can be an answer.
    bool usable() override {
        size_ = 0;
        while (port_) {
            auto const got = ::recv(port_.get(), came_.data(), came_.size(), 0);
            if (got == 0 || (got < 0 && errno != EINTR)) {
                return got < 0 && (errno == EAGAIN || errno == EWOULDBLOCK);
            }
        }
        return false;
    }

    LinkResult<std::chrono::microseconds> read(std::uint8_t unit, Block const& block,
                                               std::vector<std::uint16_t>& out) override {
        ++transaction_;
        auto const started = SteadyClock::now();
        auto const exchanged = exchange(unit, block, started + timeout_, out);
        sent_here_ = std::min(sent_here_ + 1, remembered);
        settle(exchanged ? Fault::none : exchanged.error().fault);
        if (!exchanged) {
            return exchanged.error();
        }
        return micros(SteadyClock::now() - started);
    }

private:
    LinkResult<void> exchange(std::uint8_t unit, Block const& block, SteadyTime deadline,
                              std::vector<std::uint16_t>& out) {
        auto const sent = send(unit, block);
        if (!sent) {
            return sent;
        }
        auto const begun = pass_over_earlier(deadline);
        return begun ? unpack(unit, block, deadline, out) : begun;
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

    // The header and function of an answer that may be the present one's. Answers to earlier requests, given
    // up meanwhile or answered twice, are dropped whole; who sends them without end holds the line up no
    // longer than a silent device.
    LinkResult<void> pass_over_earlier(SteadyTime deadline) {
        do {
            auto const header = receive(header_bytes + 1, deadline);
            if (!header || !is_of_earlier_request()) {
                return header;
            }
            if (word(4) > longest_counted) {
                return wrong(WrongReply::length);
            }
            auto const frame_bytes = counted_from + word(4);
            auto const whole = receive(frame_bytes, deadline);
            if (!whole) {
                return whole;
            }
            drop(frame_bytes);
        } while (SteadyClock::now() < deadline);
        return LinkError{Fault::timed_out, 0};
    }

    LinkResult<void> unpack(std::uint8_t unit, Block const& block, SteadyTime deadline,
                            std::vector<std::uint16_t>& out) {
        if (word(0) != transaction_) {
            return wrong(WrongReply::transaction);
        }
        if (word(2) != 0) {
            return wrong(WrongReply::protocol);
        }
        if (came_[6] != unit) {
            return LinkError{Fault::wrong_unit, came_[6]};
        }
        auto const pdu_bytes = answer_pdu_bytes(block, came_[header_bytes]);
        if (!pdu_bytes) {
            return pdu_bytes.error();
        }
        if (counted_from + word(4) != header_bytes + *pdu_bytes) {
            return wrong(WrongReply::length);
        }
        auto const whole = receive(header_bytes + *pdu_bytes, deadline);
        if (!whole) {
            return whole;
        }
        auto const unpacked = unpack_answer(block, std::span{came_}.subspan(header_bytes, *pdu_bytes), out);
        drop(header_bytes + *pdu_bytes);
        return unpacked;
    }

    // Waits until `size` bytes of a frame are there.
    LinkResult<void> receive(std::size_t size, SteadyTime deadline) {
        while (size_ < size) {
            bool const begun = size_ > 0;
            if (wait_until(port_.get(), Readiness::readable, deadline) == Waited::in_vain) {
                return begun ? LinkError{Fault::short_frame, ETIMEDOUT} : LinkError{Fault::timed_out, 0};
            }
            auto const got = ::recv(port_.get(), came_.data() + size_, came_.size() - size_, 0);
            if (got > 0) {
                size_ += static_cast<std::size_t>(got);
            } else if (got == 0 || (errno != EAGAIN && errno != EINTR)) {
                int const error = got < 0 ? errno : 0;
                return begun ? LinkError{Fault::short_frame, error} : closed(error);
            }
        }
        return {};
    }

    void drop(std::size_t size) {
        std::copy(came_.begin() + size, came_.begin() + size_, came_.begin());
        size_ -= size;
    }

    bool is_of_earlier_request() const {
        int const age = static_cast<std::uint16_t>(transaction_ - word(0));
        return age >= 1 && age <= sent_here_;
    }

    std::uint16_t word(std::size_t at) const {
        return static_cast<std::uint16_t>((came_[at] << 8) | came_[at + 1]);
    }

    // Leaves the connection in a state in which the next answer is the next request's, or closes it.
    void settle(Fault fault) {
        if (fault == Fault::none || fault == Fault::exception) {
            unanswered_ = 0;
        } else if (fault != Fault::timed_out || ++unanswered_ == unanswered_until_closed) {
            close();
        }
    }

    std::uint16_t transaction_ = 0;
    int sent_here_ = 0;   // requests on this connection, the present one not counted
    int unanswered_ = 0;  // in a row
    // What has come and was not used yet, a frame's beginning in front, and how much it is.
    std::array<std::uint8_t, counted_from + longest_counted> came_{};
    std::size_t size_ = 0;
};

}  // namespace

std::unique_ptr<Wire> make_tcp_wire(fleet::Line const& line) {
    return std::make_unique<TcpWire>(line);
}

}  // namespace probekeeper::fieldbus

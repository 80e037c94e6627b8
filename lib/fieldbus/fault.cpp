#include "fieldbus/fault.h"

#include <netdb.h>
#include <cerrno>
#include <stdexcept>
#include <system_error>

#include <spdlog/fmt/fmt.h>

#include "fieldbus/descriptors.h"

namespace probekeeper::fieldbus {
namespace {

// strerror is not safe among threads; the category's message is.
std::string system_text(int error) {
    return std::generic_category().message(error);
}

// Names of MODBUS Application Protocol Specification V1.1b3, section 7.
std::string describe_exception(int code) {
    switch (code) {
        case 0x01:
            return "exception 01, illegal function: the device does not serve this table; see its manual for "
                   "the "
                   "table that holds the signal";
        case 0x02:
            return "exception 02, illegal data address: the device has nothing at this address; check the "
                   "register "
                   "map (addresses are zero-based: register 40001 of a manual is address 0)";
        case 0x03:
            return "exception 03, illegal data value: the device does not give so many registers at once, or "
                   "not "
                   "from here; check the register map";
        case 0x04:
            return "exception 04, server device failure: the device failed while it answered; restart it and "
                   "see "
                   "its own diagnosis";
        case 0x05:
            return "exception 05, acknowledge: the device took the request as a long job, which reading is "
                   "not; "
                   "check the unit identifier";
        case 0x06:
            return "exception 06, server device busy: the device works on something else; poll it less "
                   "often, or "
                   "look for another master";
        case 0x08:
            return "exception 08, memory parity error: the device's memory is damaged; it needs repair";
        case 0x0A:
            return "exception 0A, gateway path unavailable: the gateway is not set up for this unit; check "
                   "its "
                   "routes and serial port";
        case 0x0B:
            return "exception 0B, gateway target device failed to respond: the gateway works and the device "
                   "behind "
                   "it is silent; check the device's power, wiring, unit identifier and baud rate";
        default:
            return fmt::format(
                "exception {:02X}, which the Modbus specification does not name; see the device's "
                "manual",
                code);
    }
}

std::string describe_wrong_reply(int code) {
    switch (static_cast<WrongReply>(code)) {
        case WrongReply::transaction:
            return "the answer carries the transaction identifier of no request of ours; look for a device "
                   "or "
                   "gateway that mixes up its clients";
        case WrongReply::protocol:
            return "the answer's protocol identifier is not 0, so this is not Modbus TCP; check the port";
        case WrongReply::function:
            return "the answer is to another function than the one asked; look for a second master on the "
                   "line";
        case WrongReply::length:
            return "the answer holds another number of registers than asked; look for a second master on the "
                   "line, "
                   "or a device with faulty firmware";
    }
    return "the answer does not fit the request";
}

std::string describe_no_descriptor(int code) {
    if (code < sockets::first_high_descriptor) {
        return fmt::format("no file descriptor left ({}); raise the open files limit of the service",
                           system_text(code));
    }
    return fmt::format(
        "the next free file descriptor is {} and a serial line needs one below {}; too many lines and "
        "clients "
        "are open at once: fewer serial lines in one daemon, or fewer HTTP clients, would be right",
        code, sockets::first_high_descriptor);
}

std::string describe_open(int code) {
    switch (code) {
        case ENOENT:
        case ENXIO:
        case ENODEV:
            return "there is no such serial device; check `device` and that the adapter is plugged in";
        case EBUSY:
            return "the serial device is in use by another program; one daemon (or tool) at a time may hold "
                   "it";
        case EACCES:
        case EPERM:
            return "the serial device may not be opened; put the service's user into the device's group "
                   "(often "
                   "dialout)";
        case ENOTTY:
            return "`device` is not a serial device";
        case EINVAL:
            return "the serial device does not take these settings; check baud, parity, data_bits and "
                   "stop_bits";
        default:
            return fmt::format("the serial device failed ({}); check the adapter and its cable",
                               system_text(code));
    }
}

std::string describe_unreachable(int code) {
    return fmt::format(
        "the host cannot be reached ({}); check `host`, the name service, the network and the "
        "device's power",
        code < 0 ? std::string{gai_strerror(code)} : system_text(code));
}

}  // namespace

void throw_exception_from_error(LinkError const& error, boost::source_location const&) {
    throw std::runtime_error{describe(error)};
}

namespace {
constexpr int decode_faults_per_signal = 8;
}

int decode_code(DecodeIssue issue) {
    return static_cast<int>(issue.signal) * decode_faults_per_signal + static_cast<int>(issue.fault);
}
DecodeIssue decode_issue(int code) {
    return {static_cast<SignalName>(code / decode_faults_per_signal),
            static_cast<DecodeFault>(code % decode_faults_per_signal)};
}

std::string_view to_word(Fault fault) {
    switch (fault) {
        case Fault::none:
            return "none";
        case Fault::refused:
            return "refused";
        case Fault::unreachable:
            return "unreachable";
        case Fault::open_failed:
            return "open_failed";
        case Fault::timed_out:
            return "timed_out";
        case Fault::exception:
            return "exception";
        case Fault::bad_crc:
            return "bad_crc";
        case Fault::short_frame:
            return "short_frame";
        case Fault::wrong_unit:
            return "wrong_unit";
        case Fault::wrong_reply:
            return "wrong_reply";
        case Fault::closed_by_peer:
            return "closed_by_peer";
        case Fault::no_descriptor:
            return "no_descriptor";
        case Fault::decode:
            return "decode";
    }
    return {};
}

std::string describe(Fault fault, int code) {
    switch (fault) {
        case Fault::none:
            return "no fault";
        case Fault::refused:
            return "the connection is refused: the host is there and nothing listens on the port; check "
                   "`port`, and "
                   "that the device's Modbus TCP server is on and has a free connection";
        case Fault::unreachable:
            return describe_unreachable(code);
        case Fault::open_failed:
            return describe_open(code);
        case Fault::timed_out:
            return code == ETIMEDOUT
                       ? "nobody answers the attempt to connect; check `host`, firewalls and the device's "
                         "power"
                       : "no answer in time; check power, wiring, unit identifier and (serial) baud rate and "
                         "parity, or raise `timeout_ms`";
        case Fault::exception:
            return describe_exception(code);
        case Fault::bad_crc:
            return "the answer's checksum (CRC) is wrong; check termination, screening, parity, and that no "
                   "two "
                   "devices share a unit identifier";
        case Fault::short_frame:
            return "the answer broke off before its end; check wiring and power, or raise `timeout_ms`";
        case Fault::wrong_unit:
            return fmt::format(
                "unit {} answers in place of the one asked, or is none that can be asked (1 to 247 on a "
                "serial line); "
                "check the unit identifiers on this line",
                code);
        case Fault::wrong_reply:
            return describe_wrong_reply(code);
        case Fault::closed_by_peer:
            return "the device closed the connection (or the serial adapter went away); look for a limit on "
                   "its "
                   "connections, a restart, or a loose plug";
        case Fault::no_descriptor:
            return describe_no_descriptor(code);
        case Fault::decode: {
            auto const [signal, what] = decode_issue(code);
            return fmt::format(
                "{} is {}; check `type` and `order` in the register map, or the device has no value",
                to_word(signal), fieldbus::describe(what));
        }
    }
    return {};
}

}  // namespace probekeeper::fieldbus

// Everything that can go wrong between the daemon and a device, each told from the others, because the person
// who has to mend it goes to a different place for each.
#pragma once

#include <array>
#include <cstdint>
#include <string>
#include <string_view>

#include <boost/assert/source_location.hpp>
#include <boost/system/result.hpp>

#include "fieldbus/decode.h"

namespace probekeeper::fieldbus {

// `code` in the comments is what LinkError::code holds beside the fault.
enum class Fault : std::uint8_t {
    none,
    refused,         // the host answers, and nothing listens on the port; errno
    unreachable,     // no route, host down, name unknown; errno, or negative: getaddrinfo's EAI_ number
    open_failed,     // serial device absent, busy, forbidden or not a serial device; errno
    timed_out,       // no answer in time; ETIMEDOUT where it was the connection that nobody answered, else 0
    exception,       // the device refuses with a Modbus exception; its code
    bad_crc,         // RTU: the answer is garbled
    short_frame,     // an answer began and did not end in time
    wrong_unit,      // another unit identifier answers (that identifier), or ours is none of a serial line
    wrong_reply,     // an answer, yet not to our request; a WrongReply
    closed_by_peer,  // the connection was closed, or the serial device went away; errno or 0
    no_descriptor,   // no file number left; errno, or for a serial line the number that came (1024 up)
    decode           // registers were read and hold no number; see decode_code
};
inline constexpr std::size_t fault_count = 13;
inline constexpr std::array<Fault, fault_count> all_faults{
    Fault::none,           Fault::refused,       Fault::unreachable, Fault::open_failed, Fault::timed_out,
    Fault::exception,      Fault::bad_crc,       Fault::short_frame, Fault::wrong_unit,  Fault::wrong_reply,
    Fault::closed_by_peer, Fault::no_descriptor, Fault::decode};

// Faults that were only known when the whole time allowed had passed.
[[nodiscard]] inline bool is_silence(Fault fault) {
    return fault == Fault::timed_out || fault == Fault::short_frame;
}

enum class WrongReply : std::uint8_t { transaction = 1, protocol, function, length };

struct LinkError {
    Fault fault = Fault::none;
    int code = 0;
    friend bool operator==(LinkError const&, LinkError const&) = default;
};

template <typename T>
using LinkResult = boost::system::result<T, LinkError>;

// For LinkResult::value(); a caller that has looked first never gets here.
[[noreturn]] void throw_exception_from_error(LinkError const& error, boost::source_location const& where);

// The signal and what is wrong with it, packed into LinkError::code of Fault::decode.
[[nodiscard]] int decode_code(DecodeIssue issue);
[[nodiscard]] DecodeIssue decode_issue(int code);

// "timed_out", ...: stable names for logs, metrics and the `fault` field of the API's line event.
[[nodiscard]] std::string_view to_word(Fault fault);

// A sentence for a person: what happened and what would be right. Where it happened is the caller's to add.
[[nodiscard]] std::string describe(Fault fault, int code);
[[nodiscard]] inline std::string describe(LinkError error) {
    return describe(error.fault, error.code);
}

}  // namespace probekeeper::fieldbus

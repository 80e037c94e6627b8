// The protocol data unit (PDU) of a read and of its answer, without the framing of TCP or RTU.
// Source: MODBUS Application Protocol Specification V1.1b3, sections 6.1 to 6.4 and 7.    (pure)
#pragma once

#include <array>
#include <cstdint>
#include <span>
#include <vector>

#include "fieldbus/fault.h"
#include "fieldbus/plan.h"

namespace probekeeper::fieldbus {

[[nodiscard]] inline LinkError wrong(WrongReply what) {
    return {Fault::wrong_reply, static_cast<int>(what)};
}

// Function, address, count: what asks for `block`.
[[nodiscard]] std::array<std::uint8_t, 5> request_pdu(Block const& block);

// Bytes of the PDU that answers it: function, byte count, data.
[[nodiscard]] std::size_t answer_pdu_bytes(Block const& block);
// The same of an answer that begins with `function`, and so may be an exception. Faults: wrong_reply
// (function).
[[nodiscard]] LinkResult<std::size_t> answer_pdu_bytes(Block const& block, std::uint8_t function);

// Checks `pdu` (function code first, at least two bytes) against the request for `block` and unpacks it.
// Faults: exception, wrong_reply (function, length).
[[nodiscard]] LinkResult<void> unpack_answer(Block const& block, std::span<std::uint8_t const> pdu,
                                             std::vector<std::uint16_t>& out);

}  // namespace probekeeper::fieldbus

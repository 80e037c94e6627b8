#include "fieldbus/answer.h"

#include "fieldbus/signals.h"

namespace probekeeper::fieldbus {
namespace {

constexpr std::uint8_t exception_bit = 0x80;
constexpr std::size_t exception_pdu_bytes = 2;

std::uint8_t function_of(fleet::Table table) {
    switch (table) {
        case fleet::Table::coil:
            return 1;
        case fleet::Table::discrete:
            return 2;
        case fleet::Table::holding:
            return 3;
        case fleet::Table::input:
            return 4;
    }
    return 0;
}

std::size_t data_bytes(Block const& block) {
    return holds_words(block.table) ? std::size_t{2} * block.count : (std::size_t{block.count} + 7) / 8;
}

std::uint8_t high(std::uint16_t word) {
    return static_cast<std::uint8_t>(word >> 8);
}
std::uint8_t low(std::uint16_t word) {
    return static_cast<std::uint8_t>(word & 0xFF);
}

}  // namespace

std::array<std::uint8_t, 5> request_pdu(Block const& block) {
    return {function_of(block.table), high(block.first), low(block.first), high(block.count),
            low(block.count)};
}

std::size_t answer_pdu_bytes(Block const& block) {
    return 2 + data_bytes(block);
}

LinkResult<std::size_t> answer_pdu_bytes(Block const& block, std::uint8_t function) {
    if ((function & ~exception_bit) != function_of(block.table)) {
        return wrong(WrongReply::function);
    }
    return (function & exception_bit) != 0 ? exception_pdu_bytes : answer_pdu_bytes(block);
}

LinkResult<void> unpack_answer(Block const& block, std::span<std::uint8_t const> pdu,
                               std::vector<std::uint16_t>& out) {
    auto const wanted = answer_pdu_bytes(block, pdu[0]);
    if (!wanted) {
        return wanted.error();
    }
    if ((pdu[0] & exception_bit) != 0) {
        return LinkError{Fault::exception, pdu[1]};
    }
    if (pdu.size() != *wanted || pdu[1] != data_bytes(block)) {
        return wrong(WrongReply::length);
    }
    auto const data = pdu.subspan(2);
    out.resize(block.count);
    for (std::size_t i = 0; i < out.size(); ++i) {
        out[i] = static_cast<std::uint16_t>(holds_words(block.table) ? (data[2 * i] << 8) | data[2 * i + 1]
                                                                     : (data[i / 8] >> (i % 8)) & 1);
    }
    return {};
}

}  // namespace probekeeper::fieldbus

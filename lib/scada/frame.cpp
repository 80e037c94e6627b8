#include "scada/frame.h"

namespace probekeeper::scada {
namespace {

constexpr std::size_t header = 7;
constexpr std::size_t before_unit = 6;  // what the header's length does not count
constexpr std::size_t least_length = 2, most_length = longest_frame - before_unit;
constexpr std::size_t read_request = 5;   // function, address, quantity
constexpr std::size_t write_request = 5;  // function, address, value
constexpr std::uint8_t write_one = 6;
constexpr std::uint8_t exception_bit = 0x80;

std::uint16_t word(std::span<std::uint8_t const> bytes, std::size_t at) {
    return static_cast<std::uint16_t>(bytes[at] << 8 | bytes[at + 1]);
}

void put_word(std::vector<std::uint8_t>& out, std::size_t value) {
    out.push_back(static_cast<std::uint8_t>(value >> 8));
    out.push_back(static_cast<std::uint8_t>(value));
}

std::vector<std::uint8_t> refused(std::uint8_t function, Exception why) {
    return {static_cast<std::uint8_t>(function | exception_bit), static_cast<std::uint8_t>(why)};
}

std::vector<std::uint8_t> read_registers(std::uint8_t function, std::span<std::uint16_t const> all) {
    std::vector<std::uint8_t> out{function, static_cast<std::uint8_t>(all.size() * 2)};
    for (auto const value : all) {
        put_word(out, value);
    }
    return out;
}

std::vector<std::uint8_t> read_bits(std::uint8_t function, std::span<std::uint8_t const> all) {
    auto const bytes = (all.size() + 7) / 8;
    std::vector<std::uint8_t> out(2 + bytes, 0);
    out[0] = function;
    out[1] = static_cast<std::uint8_t>(bytes);
    for (std::size_t i = 0; i < all.size(); ++i) {
        out[2 + i / 8] = static_cast<std::uint8_t>(out[2 + i / 8] | (all[i] != 0 ? 1 << (i % 8) : 0));
    }
    return out;
}

std::vector<std::uint8_t> answer_unit(std::uint8_t unit, std::span<std::uint8_t const> pdu,
                                      Registers const& from) {
    auto const function = pdu[0];
    if (function < 1 || function > 4) {
        return refused(function, Exception::illegal_function);
    }
    bool const of_bits = function <= 2;
    auto const registers = from.registers(unit);
    auto const bits = from.bits(unit);
    if (registers.empty()) {
        return refused(function, Exception::gateway_path_unavailable);
    }
    if (pdu.size() != read_request) {
        return refused(function, Exception::illegal_data_value);
    }
    std::size_t const first = word(pdu, 1), quantity = word(pdu, 3);
    if (quantity < 1 || quantity > (of_bits ? most_bits : most_registers)) {
        return refused(function, Exception::illegal_data_value);
    }
    if (first + quantity > (of_bits ? bits.size() : registers.size())) {
        return refused(function, Exception::illegal_data_address);
    }
    return of_bits ? read_bits(function, bits.subspan(first, quantity))
                   : read_registers(function, registers.subspan(first, quantity));
}

// A response: the request's transaction and unit around `pdu`.
std::vector<std::uint8_t> answer_to(std::span<std::uint8_t const> frame,
                                    std::vector<std::uint8_t> const& pdu) {
    std::vector<std::uint8_t> out{frame[0], frame[1], 0, 0};
    put_word(out, pdu.size() + 1);
    out.push_back(frame[header - 1]);
    out.insert(out.end(), pdu.begin(), pdu.end());
    return out;
}

}  // namespace

Cut cut(std::span<std::uint8_t const> bytes) {
    using enum Cut::Is;
    if ((bytes.size() > 2 && bytes[2] != 0) || (bytes.size() > 3 && bytes[3] != 0)) {
        return {broken, 0};
    }
    if (bytes.size() < before_unit) {
        return {incomplete, 0};
    }
    std::size_t const length = word(bytes, 4);
    if (length < least_length || length > most_length) {
        return {broken, 0};
    }
    return bytes.size() < before_unit + length ? Cut{incomplete, 0} : Cut{whole, before_unit + length};
}

std::vector<std::uint8_t> answer(std::span<std::uint8_t const> frame, Registers const& registers) {
    return answer_to(frame, answer_unit(frame[header - 1], frame.subspan(header), registers));
}

std::optional<WriteOne> write_one_in(std::span<std::uint8_t const> frame) {
    if (frame.size() != header + write_request || frame[header] != write_one) {
        return std::nullopt;
    }
    return WriteOne{frame[header - 1], word(frame, header + 1), word(frame, header + 3)};
}

std::vector<std::uint8_t> answer_write(std::span<std::uint8_t const> frame, std::optional<Exception> why) {
    return why ? answer_to(frame, refused(write_one, *why))
               : std::vector<std::uint8_t>(frame.begin(), frame.end());
}

}  // namespace probekeeper::scada

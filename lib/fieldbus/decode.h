// Registers and bits, as they came over the wire, into values in the units of a Reading.    (pure)
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string_view>
#include <vector>

#include "base/reading.h"
#include "fieldbus/plan.h"
#include "fieldbus/signals.h"
#include "fleet/fleet.h"

namespace probekeeper::fieldbus {

// What one request brought: a register an element, or 0 or 1 a bit; `words.size() == block.count`.
struct BlockData {
    Block block;
    std::vector<std::uint16_t> words;
};

// Why registers that were read give no value. A denormal float (not zero, yet below 1.18e-38) is what a right
// number looks like in the wrong word order, and nothing a probe can measure.
enum class DecodeFault : std::uint8_t { not_a_number, infinite, denormal };

struct SignalValue {
    double value = not_read;  // raw * scale + offset, in the signal's own unit; not_read with a fault
    std::optional<DecodeFault> fault;
};

// One signal out of its registers (or its bit). `words` holds exactly signal.width() elements. The letters of
// the order are the bytes as transmitted, A the most significant: a number sent 42 F6 E9 79 is ABCD. A 16-bit
// register keeps its bytes in ABCD and CDAB, and has them swapped in BADC and DCBA. With `bit`, raw is that
// bit, 0 or 1, counted from the least significant; scale -1 with offset 1 turns a bit round.
[[nodiscard]] SignalValue decode_signal(fleet::Signal const& signal, std::span<std::uint16_t const> words);

struct DecodeIssue {
    SignalName signal = SignalName::dissolved_oxygen;
    DecodeFault fault = DecodeFault::not_a_number;
};

struct NamedValue {
    NamedSignal signal;
    SignalValue value;
};

// Every signal of the map whose registers are among `blocks`, in the order of SignalName.
[[nodiscard]] std::vector<NamedValue> decode_signals(fleet::RegisterMap const& map,
                                                     std::span<BlockData const> blocks);

struct Decoded {
    Reading reading;                  // time is left to the caller
    std::vector<DecodeIssue> issues;  // signals that were read and give no value
};

// The values in the units of a Reading: temperature in degC, pressure and a partial pressure in hPa. Of the
// three oxygen fields only the one of the map's unit is filled. A bit signal that was read sets its mark and
// the `known` bit. Signals outside `blocks` are left as not read, without an issue.
[[nodiscard]] Decoded decode(fleet::RegisterMap const& map, std::span<BlockData const> blocks);

// `value` given in `unit` as degC, hPa or unchanged. 1 mmHg is 1.33322387415 hPa exactly (13.5951 g/cm3 times
// 9.80665 m/s2).
[[nodiscard]] double in_reading_unit(double value, fleet::Unit unit);

// "not a number (NaN)", ...
[[nodiscard]] std::string_view describe(DecodeFault fault);

}  // namespace probekeeper::fieldbus

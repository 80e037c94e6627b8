// The signals of a register map by name, so that planning, decoding and reporting walk the same list.
#pragma once

#include <cstdint>
#include <string_view>
#include <vector>

#include "base/reading.h"
#include "fleet/fleet.h"

namespace probekeeper::fieldbus {

enum class SignalName : std::uint8_t {
    dissolved_oxygen,
    temperature,
    salinity,
    pressure,
    airflow,
    cleaning,
    aeration,
    hold,
    fault
};

struct NamedSignal {
    SignalName name = SignalName::dissolved_oxygen;
    fleet::Signal signal;
};

// Those that the map has, in the order of SignalName: dissolved oxygen is always the first.
[[nodiscard]] std::vector<NamedSignal> signals_of(fleet::RegisterMap const& map);

// The key in the configuration: "dissolved_oxygen", "temperature", ...
[[nodiscard]] std::string_view to_word(SignalName name);
[[nodiscard]] std::string_view to_word(fleet::Table table);
// As written in the configuration: "mg/L", "%sat", "degC", ...; empty for a unit of the user's own.
[[nodiscard]] std::string_view to_word(fleet::Unit unit);

// cleaning, aeration, hold and fault are yes or no; the others are quantities.
[[nodiscard]] bool is_bit(SignalName name);
// Only for the bit signals.
[[nodiscard]] Mark mark_of(SignalName name);

[[nodiscard]] inline bool holds_words(fleet::Table table) {
    return table == fleet::Table::input || table == fleet::Table::holding;
}

}  // namespace probekeeper::fieldbus

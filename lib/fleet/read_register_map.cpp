#include <spdlog/fmt/fmt.h>

#include "fleet/written.h"

namespace probekeeper::fleet {
namespace {

constexpr std::pair<std::string_view, Table> tables[] = {{"coil", Table::coil},
                                                         {"discrete", Table::discrete},
                                                         {"input", Table::input},
                                                         {"holding", Table::holding}};
constexpr std::pair<std::string_view, RegisterType> types[] = {{"uint16", RegisterType::uint16},
                                                               {"int16", RegisterType::int16},
                                                               {"uint32", RegisterType::uint32},
                                                               {"int32", RegisterType::int32},
                                                               {"float32", RegisterType::float32}};
constexpr std::pair<std::string_view, WordOrder> orders[] = {{"ABCD", WordOrder::abcd},
                                                             {"CDAB", WordOrder::cdab},
                                                             {"BADC", WordOrder::badc},
                                                             {"DCBA", WordOrder::dcba}};
constexpr std::pair<std::string_view, Unit> oxygen_units[] = {
    {"mg/L", Unit::mg_per_l}, {"%sat", Unit::percent_sat}, {"hPa", Unit::hpa}};
constexpr std::pair<std::string_view, Unit> temperature_units[] = {
    {"degC", Unit::deg_c}, {"K", Unit::kelvin}, {"degF", Unit::deg_f}};
constexpr std::pair<std::string_view, Unit> salinity_units[] = {{"psu", Unit::psu}};
constexpr std::pair<std::string_view, Unit> pressure_units[] = {
    {"hPa", Unit::hpa}, {"kPa", Unit::kpa}, {"mmHg", Unit::mmhg}};

bool in_words(Signal const& signal) {
    return signal.table == Table::input || signal.table == Table::holding;
}

bool is_16_bit(RegisterType type) {
    return type == RegisterType::uint16 || type == RegisterType::int16;
}

// Table and address of any signal; what they allow depends on the type, so this comes after it.
void check_address(Section& section, Signal const& signal) {
    if (signal.address + signal.width() > 65'536) {
        section.wrong("address",
                      fmt::format("`address` is {}, should be at most 65534: the signal takes two registers",
                                  signal.address));
    }
}

void read_place(Section& section, Signal& signal) {
    signal.table = section.word<Table>("table", tables).value_or(Table::holding);
    signal.address = static_cast<std::uint16_t>(section.integer("address", 0, 65'535).value_or(0));
    section.need({"table", "address"});
}

// A number in an input or holding register.
void read_number_signal(Section& section, Signal& signal) {
    read_place(section, signal);
    auto const type = section.word<RegisterType>("type", types);
    signal.type = type.value_or(RegisterType::uint16);
    signal.order = section.word<WordOrder>("order", orders).value_or(WordOrder::abcd);
    signal.scale = section.number("scale", -1e9, 1e9).value_or(1.0);
    signal.offset = section.number("offset", -1e9, 1e9).value_or(0.0);
    section.refuse("bit", "this signal is a number, not a bit");
    if (signal.scale == 0.0) {
        section.wrong("scale", "`scale` is 0, which would make every value the same");
    }
    if (!in_words(signal)) {
        section.wrong("table", fmt::format("{} is a number, so `table` should be \"input\" or \"holding\"",
                                           section.name()));
        return;
    }
    section.need({"type"});
    // The order of words in a single register is no order; whoever writes one has another type in mind.
    if (type && is_16_bit(*type) && signal.order != WordOrder::abcd) {
        section.wrong(
            "order",
            "`order` has no meaning for a 16-bit type; leave it out, or should `type` be a 32-bit one?");
    }
    check_address(section, signal);
}

// A bit: a coil or discrete input, or one bit of a 16-bit register, or a register that is not zero.
void read_bit_signal(Section& section, Signal& signal) {
    read_place(section, signal);
    for (auto const* key : {"scale", "offset", "unit"}) {
        section.refuse(key, "this signal is a bit, not a number");
    }
    if (!in_words(signal)) {
        for (auto const* key : {"type", "order", "bit"}) {
            section.refuse(key, "a coil or discrete input is a single bit");
        }
        return;
    }
    section.refuse("order", "a bit stands in one register");
    signal.type = section.word<RegisterType>("type", types).value_or(RegisterType::uint16);
    if (!is_16_bit(signal.type)) {
        section.wrong("type", "a bit stands in a 16-bit register: `type` should be \"uint16\" or \"int16\"");
        signal.type = RegisterType::uint16;
    }
    if (auto const bit = section.integer("bit", 0, 15)) {
        signal.bit = static_cast<std::uint8_t>(*bit);
    }
}

std::optional<Signal> number_signal(Section& map, std::string_view key, Words<Unit> units) {
    auto section = map.table(key, fmt::format("signal `{}`", key));
    if (!section) {
        return std::nullopt;
    }
    Signal signal;
    read_number_signal(*section, signal);
    signal.unit = section->word<Unit>("unit", units).value_or(units.front().second);
    if (units.size() > 1) {  // guessing would be worse than asking
        section->need({"unit"});
    }
    section->finish();
    return signal;
}

// Any unit, so any text.
std::optional<Signal> airflow_signal(Section& map) {
    auto section = map.table("airflow", "signal `airflow`");
    if (!section) {
        return std::nullopt;
    }
    Signal signal;
    read_number_signal(*section, signal);
    static_cast<void>(section->text("unit"));
    section->finish();
    return signal;
}

std::optional<Signal> bit_signal(Section& map, std::string_view key) {
    auto section = map.table(key, fmt::format("signal `{}`", key));
    if (!section) {
        return std::nullopt;
    }
    Signal signal;
    read_bit_signal(*section, signal);
    section->finish();
    return signal;
}

}  // namespace

WrittenMap read_register_map(Section& section) {
    WrittenMap written;
    written.where = section.where();
    written.id = section.id("id");
    auto& map = written.map;
    map.id = written.id ? written.id->value : "";
    map.dissolved_oxygen = number_signal(section, "dissolved_oxygen", oxygen_units).value_or(Signal{});
    map.temperature = number_signal(section, "temperature", temperature_units);
    map.salinity = number_signal(section, "salinity", salinity_units);
    map.pressure = number_signal(section, "pressure", pressure_units);
    map.airflow = airflow_signal(section);
    map.cleaning = bit_signal(section, "cleaning");
    map.aeration = bit_signal(section, "aeration");
    map.hold = bit_signal(section, "hold");
    map.fault = bit_signal(section, "fault");
    section.need({"id", "dissolved_oxygen"});
    section.finish();
    return written;
}

}  // namespace probekeeper::fleet

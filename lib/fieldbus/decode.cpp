#include "fieldbus/decode.h"

#include <bit>
#include <cassert>
#include <cmath>

namespace probekeeper::fieldbus {
namespace {

constexpr double hpa_per_kpa = 10.0;
constexpr double hpa_per_mmhg = 1.33322387415;
constexpr double zero_celsius_k = 273.15;

std::uint16_t bytes_swapped(std::uint16_t word) {
    return static_cast<std::uint16_t>((word << 8) | (word >> 8));
}

std::uint16_t word_in_order(std::uint16_t word, fleet::WordOrder order) {
    bool const swapped = order == fleet::WordOrder::badc || order == fleet::WordOrder::dcba;
    return swapped ? bytes_swapped(word) : word;
}

std::uint32_t double_word(std::span<std::uint16_t const> words, fleet::WordOrder order) {
    bool const low_first = order == fleet::WordOrder::cdab || order == fleet::WordOrder::dcba;
    std::uint32_t const first = word_in_order(words[0], order);
    std::uint32_t const second = word_in_order(words[1], order);
    return low_first ? (second << 16) | first : (first << 16) | second;
}

struct Raw {
    double value = 0.0;
    std::optional<DecodeFault> fault;
};

Raw raw_float(std::uint32_t bits) {
    // Classified as a float: widened to double, a denormal would be an ordinary number.
    float const value = std::bit_cast<float>(bits);
    switch (std::fpclassify(value)) {
        case FP_NAN:
            return {0.0, DecodeFault::not_a_number};
        case FP_INFINITE:
            return {0.0, DecodeFault::infinite};
        case FP_SUBNORMAL:
            return {0.0, DecodeFault::denormal};
        default:
            return {static_cast<double>(value), std::nullopt};
    }
}

Raw raw_number(fleet::Signal const& signal, std::span<std::uint16_t const> words) {
    if (!holds_words(signal.table)) {
        return {words[0] != 0 ? 1.0 : 0.0, std::nullopt};
    }
    if (signal.bit) {
        return {((word_in_order(words[0], signal.order) >> *signal.bit) & 1) != 0 ? 1.0 : 0.0, std::nullopt};
    }
    switch (signal.type) {
        case fleet::RegisterType::uint16:
            return {static_cast<double>(word_in_order(words[0], signal.order)), std::nullopt};
        case fleet::RegisterType::int16:
            return {static_cast<double>(static_cast<std::int16_t>(word_in_order(words[0], signal.order))),
                    std::nullopt};
        case fleet::RegisterType::uint32:
            return {static_cast<double>(double_word(words, signal.order)), std::nullopt};
        case fleet::RegisterType::int32:
            return {static_cast<double>(static_cast<std::int32_t>(double_word(words, signal.order))),
                    std::nullopt};
        case fleet::RegisterType::float32:
            return raw_float(double_word(words, signal.order));
    }
    return {0.0, DecodeFault::not_a_number};
}

std::span<std::uint16_t const> words_of(fleet::Signal const& signal, std::span<BlockData const> blocks) {
    for (auto const& [block, words] : blocks) {
        if (covers(block, signal)) {
            return std::span{words}.subspan(signal.address - block.first, signal.width());
        }
    }
    return {};
}

void put_oxygen(Reading& reading, double value, fleet::Unit unit) {
    switch (unit) {
        case fleet::Unit::mg_per_l:
            reading.do_mg_l = value;
            return;
        case fleet::Unit::percent_sat:
            reading.do_percent = value;
            return;
        case fleet::Unit::hpa:
        case fleet::Unit::kpa:
        case fleet::Unit::mmhg:
            reading.po2_hpa = in_reading_unit(value, unit);
            return;
        case fleet::Unit::deg_c:
        case fleet::Unit::kelvin:
        case fleet::Unit::deg_f:
        case fleet::Unit::psu:
        case fleet::Unit::any:
            return;  // no unit of oxygen; the configuration refuses them
    }
}

void put(Reading& reading, NamedSignal const& named, double value) {
    switch (named.name) {
        case SignalName::dissolved_oxygen:
            put_oxygen(reading, value, named.signal.unit);
            return;
        case SignalName::temperature:
            reading.temperature_c = in_reading_unit(value, named.signal.unit);
            return;
        case SignalName::salinity:
            reading.salinity_psu = value;
            return;
        case SignalName::pressure:
            reading.pressure_hpa = in_reading_unit(value, named.signal.unit);
            return;
        case SignalName::airflow:
            reading.airflow = value;
            return;
        case SignalName::cleaning:
        case SignalName::aeration:
        case SignalName::hold:
        case SignalName::fault:
            reading.set(mark_of(named.name), value != 0.0);
            return;
    }
}

}  // namespace

SignalValue decode_signal(fleet::Signal const& signal, std::span<std::uint16_t const> words) {
    assert(words.size() == signal.width());
    auto const raw = raw_number(signal, words);
    if (raw.fault) {
        return {not_read, raw.fault};
    }
    return {raw.value * signal.scale + signal.offset, std::nullopt};
}

std::vector<NamedValue> decode_signals(fleet::RegisterMap const& map, std::span<BlockData const> blocks) {
    std::vector<NamedValue> values;
    for (auto const& named : signals_of(map)) {
        auto const words = words_of(named.signal, blocks);
        if (!words.empty()) {
            values.push_back({named, decode_signal(named.signal, words)});
        }
    }
    return values;
}

Decoded decode(fleet::RegisterMap const& map, std::span<BlockData const> blocks) {
    Decoded decoded;
    for (auto const& [named, value] : decode_signals(map, blocks)) {
        if (value.fault) {
            decoded.issues.push_back({named.name, *value.fault});
        } else {
            put(decoded.reading, named, value.value);
        }
    }
    return decoded;
}

double in_reading_unit(double value, fleet::Unit unit) {
    switch (unit) {
        case fleet::Unit::kelvin:
            return value - zero_celsius_k;
        case fleet::Unit::deg_f:
            return (value - 32.0) / 1.8;
        case fleet::Unit::kpa:
            return value * hpa_per_kpa;
        case fleet::Unit::mmhg:
            return value * hpa_per_mmhg;
        case fleet::Unit::mg_per_l:
        case fleet::Unit::percent_sat:
        case fleet::Unit::hpa:
        case fleet::Unit::deg_c:
        case fleet::Unit::psu:
        case fleet::Unit::any:
            break;
    }
    return value;
}

std::string_view describe(DecodeFault fault) {
    switch (fault) {
        case DecodeFault::not_a_number:
            return "not a number (NaN)";
        case DecodeFault::infinite:
            return "infinite";
        case DecodeFault::denormal:
            return "denormal (nearer to zero than any measurement)";
    }
    return {};
}

}  // namespace probekeeper::fieldbus

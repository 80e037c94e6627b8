#include "devices/registers.h"

#include <algorithm>
#include <bit>
#include <cmath>

namespace probekeeper::devices {
namespace {

constexpr std::uint8_t illegal_function = 1, illegal_address = 2, illegal_value = 3;

struct Words {
    std::uint16_t high, low;
};

Words words_of(double value) {
    auto const bits = std::bit_cast<std::uint32_t>(static_cast<float>(value));
    return {static_cast<std::uint16_t>(bits >> 16), static_cast<std::uint16_t>(bits)};
}

using Table = std::map<std::uint16_t, std::uint16_t>;

void put_abcd(Table& table, std::uint16_t address, double value) {
    auto const words = words_of(value);
    table[address] = words.high;
    table[static_cast<std::uint16_t>(address + 1)] = words.low;
}

void put_cdab(Table& table, std::uint16_t address, double value) {
    auto const words = words_of(value);
    table[address] = words.low;
    table[static_cast<std::uint16_t>(address + 1)] = words.high;
}

std::uint16_t scaled(double value, double grain) {
    double const counts = std::clamp(std::round(value / grain), -32768.0, 32767.0);
    return static_cast<std::uint16_t>(static_cast<std::int16_t>(counts));
}

std::uint16_t word_at(std::span<std::uint8_t const> bytes, std::size_t at) {
    return static_cast<std::uint16_t>(bytes[at] << 8 | bytes[at + 1]);
}

template <typename Value>
bool has_all(std::map<std::uint16_t, Value> const& table, unsigned first, unsigned count) {
    for (unsigned i = 0; i < count; ++i) {
        if (first + i > 0xffff || !table.contains(static_cast<std::uint16_t>(first + i))) {
            return false;
        }
    }
    return true;
}

struct Range {
    std::uint8_t function;
    unsigned first, count;
};

Bytes answer_bits(Range asked, std::map<std::uint16_t, bool> const& table) {
    if (asked.count < 1 || asked.count > 2000) {
        return exception_of(asked.function, illegal_value);
    }
    if (!has_all(table, asked.first, asked.count)) {
        return exception_of(asked.function, illegal_address);
    }
    unsigned const bytes = (asked.count + 7) / 8;
    Bytes out{asked.function, static_cast<std::uint8_t>(bytes)};
    out.resize(2 + bytes);
    for (unsigned i = 0; i < asked.count; ++i) {
        unsigned const bit = table.at(static_cast<std::uint16_t>(asked.first + i)) ? 1U << (i % 8) : 0U;
        out[2 + i / 8] = static_cast<std::uint8_t>(out[2 + i / 8] | bit);
    }
    return out;
}

Bytes answer_words(Range asked, Table const& table) {
    if (asked.count < 1 || asked.count > 125) {
        return exception_of(asked.function, illegal_value);
    }
    if (!has_all(table, asked.first, asked.count)) {
        return exception_of(asked.function, illegal_address);
    }
    Bytes out{asked.function, static_cast<std::uint8_t>(2 * asked.count)};
    for (unsigned i = 0; i < asked.count; ++i) {
        auto const word = table.at(static_cast<std::uint16_t>(asked.first + i));
        out.push_back(static_cast<std::uint8_t>(word >> 8));
        out.push_back(static_cast<std::uint8_t>(word & 0xff));
    }
    return out;
}

}  // namespace

RegisterImage image_of(estate::Registers layout, estate::Shown const& shown) {
    RegisterImage image;
    switch (layout) {
        case estate::Registers::two_floats:
            put_abcd(image.holdings, 0, shown.do_mg_l);
            put_abcd(image.holdings, 2, shown.temperature_c);
            put_abcd(image.holdings, 4, shown.airflow_percent);
            image.discretes = {{0, shown.cleaning}, {1, shown.aeration}, {2, shown.hold}, {3, false}};
            break;
        case estate::Registers::swapped_floats:
            put_cdab(image.inputs, 100, shown.do_percent);
            put_cdab(image.inputs, 102, shown.temperature_c);
            put_cdab(image.inputs, 104, shown.salinity_psu);
            put_cdab(image.inputs, 106, shown.pressure_hpa);
            image.coils = {{10, shown.cleaning}, {11, shown.aeration}, {12, shown.hold}};
            break;
        case estate::Registers::scaled_words:
            image.inputs[0] = scaled(shown.do_mg_l, 0.01);
            image.inputs[1] = scaled(shown.temperature_c, 0.1);
            image.inputs[2] = static_cast<std::uint16_t>((shown.cleaning ? 1 : 0) | (shown.aeration ? 2 : 0) |
                                                         (shown.hold ? 4 : 0));
            break;
    }
    return image;
}

Bytes exception_of(std::uint8_t function, std::uint8_t code) {
    return {static_cast<std::uint8_t>(function | 0x80), code};
}

Bytes answer(std::span<std::uint8_t const> request, RegisterImage const& image) {
    std::uint8_t const function = request.empty() ? std::uint8_t{0} : request[0];
    if (function < 1 || function > 4) {
        return exception_of(function, illegal_function);
    }
    if (request.size() != 5) {
        return exception_of(function, illegal_value);
    }
    Range const asked{function, word_at(request, 1), word_at(request, 3)};
    switch (function) {
        case 1:
            return answer_bits(asked, image.coils);
        case 2:
            return answer_bits(asked, image.discretes);
        case 3:
            return answer_words(asked, image.holdings);
        default:
            return answer_words(asked, image.inputs);
    }
}

}  // namespace probekeeper::devices

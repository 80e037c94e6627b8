#include <catch2/catch.hpp>

#include <array>

#include "fieldbus/decode.h"

using namespace probekeeper;
using namespace probekeeper::fieldbus;
using fleet::RegisterType;
using fleet::Table;
using fleet::Unit;
using fleet::WordOrder;

namespace {

using Words = std::array<std::uint16_t, 2>;

fleet::Signal signal(RegisterType type, WordOrder order) {
    fleet::Signal s;
    s.type = type;
    s.order = order;
    return s;
}

double value(fleet::Signal const& s, Words const& words) {
    return decode_signal(s, std::span{words}.first(s.width())).value;
}

std::optional<DecodeFault> fault(fleet::Signal const& s, Words const& words) {
    return decode_signal(s, std::span{words}.first(s.width())).fault;
}

constexpr std::array orders{WordOrder::abcd, WordOrder::cdab, WordOrder::badc, WordOrder::dcba};

struct FloatRow {
    float value;
    std::array<Words, 4> sent;  // in the order of `orders`
};

// IEEE 754 binary32 (e.g. 123.456 is 42 F6 E9 79), the bytes laid out as each order sends them.
constexpr std::array float_rows{
    FloatRow{8.25F, {{{0x4104, 0x0000}, {0x0000, 0x4104}, {0x0441, 0x0000}, {0x0000, 0x0441}}}},
    FloatRow{123.456F, {{{0x42F6, 0xE979}, {0xE979, 0x42F6}, {0xF642, 0x79E9}, {0x79E9, 0xF642}}}},
    FloatRow{9.092F, {{{0x4111, 0x78D5}, {0x78D5, 0x4111}, {0x1141, 0xD578}, {0xD578, 0x1141}}}},
    FloatRow{0.1F, {{{0x3DCC, 0xCCCD}, {0xCCCD, 0x3DCC}, {0xCC3D, 0xCDCC}, {0xCDCC, 0xCC3D}}}},
    FloatRow{-1.0F, {{{0xBF80, 0x0000}, {0x0000, 0xBF80}, {0x80BF, 0x0000}, {0x0000, 0x80BF}}}}};

}  // namespace

TEST_CASE("a float is read in each of the four orders of its bytes", "[fieldbus][decode]") {
    for (auto const& row : float_rows) {
        for (std::size_t i = 0; i < orders.size(); ++i) {
            CAPTURE(row.value, i);
            CHECK(value(signal(RegisterType::float32, orders[i]), row.sent[i]) ==
                  static_cast<double>(row.value));
        }
    }
}

TEST_CASE("infinity and NaN are no values, in any order", "[fieldbus][decode]") {
    std::array<Words, 4> const infinity{
        {{0x7F80, 0x0000}, {0x0000, 0x7F80}, {0x807F, 0x0000}, {0x0000, 0x807F}}};
    std::array<Words, 4> const nan{{{0x7FC0, 0x0000}, {0x0000, 0x7FC0}, {0xC07F, 0x0000}, {0x0000, 0xC07F}}};
    for (std::size_t i = 0; i < orders.size(); ++i) {
        auto const s = signal(RegisterType::float32, orders[i]);
        CAPTURE(i);
        CHECK(fault(s, infinity[i]) == DecodeFault::infinite);
        CHECK_FALSE(is_read(value(s, infinity[i])));
        CHECK(fault(s, nan[i]) == DecodeFault::not_a_number);
        CHECK_FALSE(is_read(value(s, nan[i])));
    }
}

TEST_CASE("8.25 read in a wrong order is a denormal and therefore not read", "[fieldbus][decode]") {
    auto const as_abcd = signal(RegisterType::float32, WordOrder::abcd);
    for (std::size_t i = 1; i < orders.size(); ++i) {
        CAPTURE(i);
        auto const tiny = i == 2 ? std::nullopt : std::optional{DecodeFault::denormal};
        CHECK(fault(as_abcd, float_rows[0].sent[i]) == tiny);  // BADC gives 2.3e-36: small, yet normal
    }
    CHECK(fault(as_abcd, {0x0000, 0x0000}) == std::nullopt);
    CHECK(value(as_abcd, {0x0000, 0x0000}) == 0.0);
    CHECK(value(as_abcd, {0x8000, 0x0000}) == 0.0);
    CHECK(value(as_abcd, {0xE979, 0x42F6}) == Approx(-1.8833671e25).epsilon(1e-7));
}

TEST_CASE("32-bit integers are read in each order, signed and unsigned", "[fieldbus][decode]") {
    std::array<Words, 4> const sent{{{0xFFFE, 0x1DC0}, {0x1DC0, 0xFFFE}, {0xFEFF, 0xC01D}, {0xC01D, 0xFEFF}}};
    for (std::size_t i = 0; i < orders.size(); ++i) {
        CAPTURE(i);
        CHECK(value(signal(RegisterType::uint32, orders[i]), sent[i]) == 4294843840.0);
        CHECK(value(signal(RegisterType::int32, orders[i]), sent[i]) == -123456.0);
    }
}

TEST_CASE("16-bit integers keep their bytes unless the order swaps them", "[fieldbus][decode]") {
    for (auto const order : orders) {
        bool const swaps = order == WordOrder::badc || order == WordOrder::dcba;
        Words const words{static_cast<std::uint16_t>(swaps ? 0x9CFF : 0xFF9C), 0};
        CHECK(value(signal(RegisterType::uint16, order), words) == 65436.0);
        CHECK(value(signal(RegisterType::int16, order), words) == -100.0);
    }
}

TEST_CASE("a value is raw times scale plus offset", "[fieldbus][decode]") {
    auto s = signal(RegisterType::int16, WordOrder::abcd);
    s.scale = 0.01;
    s.offset = -5.0;
    CHECK(value(s, {0x02D5, 0}) == Approx(2.25));
    CHECK(value(s, {0xFF9C, 0}) == Approx(-6.0));
}

TEST_CASE("each bit of a register can be a signal, and can be turned round", "[fieldbus][decode]") {
    for (std::uint8_t bit = 0; bit < 16; ++bit) {
        auto s = signal(RegisterType::uint16, WordOrder::abcd);
        s.bit = bit;
        auto const only_it = static_cast<std::uint16_t>(1U << bit);
        CAPTURE(int{bit});
        CHECK(value(s, {only_it, 0}) == 1.0);
        CHECK(value(s, {static_cast<std::uint16_t>(~only_it), 0}) == 0.0);
        s.scale = -1.0;
        s.offset = 1.0;
        CHECK(value(s, {only_it, 0}) == 0.0);
    }
}

TEST_CASE("units of the device become the units of a reading", "[fieldbus][decode]") {
    CHECK(in_reading_unit(293.15, Unit::kelvin) == Approx(20.0));
    CHECK(in_reading_unit(68.0, Unit::deg_f) == Approx(20.0));
    CHECK(in_reading_unit(-40.0, Unit::deg_f) == Approx(-40.0));
    CHECK(in_reading_unit(20.0, Unit::deg_c) == 20.0);
    CHECK(in_reading_unit(101.325, Unit::kpa) == Approx(1013.25));
    // 760 mmHg is 101325.0144 Pa: 13595.1 kg/m3 times 9.80665 m/s2 times 0.76 m.
    CHECK(in_reading_unit(760.0, Unit::mmhg) == Approx(1013.250144354).epsilon(1e-12));
    CHECK(in_reading_unit(7.4, Unit::mg_per_l) == 7.4);
}

namespace {

fleet::RegisterMap full_map() {
    fleet::RegisterMap map;
    map.dissolved_oxygen = {Table::holding, 0, RegisterType::float32, WordOrder::abcd, 1.0, 0.0, {},
                            Unit::mg_per_l};
    map.temperature = {Table::holding, 2, RegisterType::int16, WordOrder::abcd, 0.1, 0.0, {}, Unit::kelvin};
    map.pressure = {Table::input, 7, RegisterType::uint16, WordOrder::abcd, 0.01, 0.0, {}, Unit::kpa};
    map.salinity = {Table::input, 8, RegisterType::uint16, WordOrder::abcd, 0.1, 0.0, {}, Unit::psu};
    map.airflow = {Table::input, 9, RegisterType::uint16, WordOrder::abcd, 1.0, 0.0, {}, Unit::any};
    map.cleaning = {Table::discrete, 0, {}, {}, 1.0, 0.0, {}, Unit::any};
    map.aeration = {Table::coil, 5, {}, {}, 1.0, 0.0, {}, Unit::any};
    map.hold = {Table::holding, 3, RegisterType::uint16, WordOrder::abcd, 1.0, 0.0, 4, Unit::any};
    map.fault = {Table::holding, 3, RegisterType::uint16, WordOrder::abcd, 1.0, 0.0, 15, Unit::any};
    return map;
}

std::vector<BlockData> full_blocks() {
    return {{{Table::holding, 0, 4}, {0x40EC, 0xCCCD, 2932, 0x0010}},
            {{Table::input, 7, 3}, {10132, 310, 42}},
            {{Table::discrete, 0, 1}, {1}},
            {{Table::coil, 5, 1}, {0}}};
}

}  // namespace

TEST_CASE("a full map fills its fields, its marks and no other", "[fieldbus][decode]") {
    auto const [reading, issues] = decode(full_map(), full_blocks());
    CHECK(issues.empty());
    CHECK(reading.do_mg_l == Approx(7.4));
    CHECK_FALSE(is_read(reading.do_percent));
    CHECK_FALSE(is_read(reading.po2_hpa));
    CHECK(reading.temperature_c == Approx(20.05));
    CHECK(reading.pressure_hpa == Approx(1013.2));
    CHECK(reading.salinity_psu == Approx(31.0));
    CHECK(reading.airflow == 42.0);
    CHECK(reading.known == (mark_cleaning | mark_aeration | mark_hold | mark_fault));
    CHECK(reading.marks == (mark_cleaning | mark_hold));
}

TEST_CASE("oxygen goes into the field of the map's unit", "[fieldbus][decode]") {
    auto map = full_map();
    map.dissolved_oxygen.unit = Unit::percent_sat;
    CHECK(decode(map, full_blocks()).reading.do_percent == Approx(7.4));
    CHECK_FALSE(is_read(decode(map, full_blocks()).reading.do_mg_l));
    map.dissolved_oxygen.unit = Unit::hpa;
    CHECK(decode(map, full_blocks()).reading.po2_hpa == Approx(7.4));
}

TEST_CASE("a signal whose block did not come is not read, and is no fault of decoding",
          "[fieldbus][decode]") {
    auto blocks = full_blocks();
    blocks.resize(1);
    auto const [reading, issues] = decode(full_map(), blocks);
    CHECK(issues.empty());
    CHECK(reading.do_mg_l == Approx(7.4));
    CHECK_FALSE(is_read(reading.pressure_hpa));
    CHECK(reading.known == (mark_hold | mark_fault));
}

TEST_CASE("a signal that holds no number is named, and the others are kept", "[fieldbus][decode]") {
    auto blocks = full_blocks();
    blocks[0].words[0] = 0x7FC0;
    blocks[0].words[1] = 0;
    auto const [reading, issues] = decode(full_map(), blocks);
    REQUIRE(issues.size() == 1);
    CHECK(issues[0].signal == SignalName::dissolved_oxygen);
    CHECK(issues[0].fault == DecodeFault::not_a_number);
    CHECK_FALSE(is_read(reading.do_mg_l));
    CHECK(reading.temperature_c == Approx(20.05));
}

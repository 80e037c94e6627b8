#include <catch2/catch.hpp>

#include "devices/registers.h"
#include "devices/serial_line.h"

using namespace probekeeper;
using devices::Bytes;
using estate::Registers;
using estate::Shown;

namespace {

devices::RegisterImage words_image() {
    Shown shown;
    shown.do_mg_l = -0.05;
    shown.temperature_c = 15.5;
    shown.aeration = true;
    return devices::image_of(Registers::scaled_words, shown);
}

}  // namespace

TEST_CASE("a CRC is that of the serial line specification's example", "[devices]") {
    // MODBUS over Serial Line V1.02, appendix B: the frame 02 07 has CRC 0x1241, sent as 41 12.
    CHECK(devices::crc16(Bytes{0x02, 0x07}) == 0x1241);
}

TEST_CASE("coils are answered as in the application protocol's example", "[devices]") {
    // MODBUS Application Protocol V1.1b3, 6.1: coils 20-38, of which the answer packs CD 6B 05.
    devices::RegisterImage image;
    unsigned const packed = 0x056bcd;
    for (std::uint16_t i = 0; i < 19; ++i) {
        image.coils[static_cast<std::uint16_t>(19 + i)] = (packed >> i & 1) != 0;
    }
    CHECK(devices::answer(Bytes{0x01, 0x00, 0x13, 0x00, 0x13}, image) == Bytes{0x01, 0x03, 0xcd, 0x6b, 0x05});
}

TEST_CASE("a scaled word below zero is a two's complement, and bits share a status word", "[devices]") {
    CHECK(devices::answer(Bytes{0x04, 0x00, 0x00, 0x00, 0x03}, words_image()) ==
          Bytes{0x04, 0x06, 0xff, 0xfb, 0x00, 0x9b, 0x00, 0x02});
}

TEST_CASE("a float stands in the word order of its device", "[devices]") {
    Shown shown;
    shown.do_mg_l = 2.5;  // IEEE 754: 0x40200000
    shown.do_percent = 2.5;
    auto const abcd = devices::image_of(Registers::two_floats, shown);
    CHECK(abcd.holdings.at(0) == 0x4020);
    CHECK(abcd.holdings.at(1) == 0x0000);
    auto const cdab = devices::image_of(Registers::swapped_floats, shown);
    CHECK(cdab.inputs.at(100) == 0x0000);
    CHECK(cdab.inputs.at(101) == 0x4020);
}

TEST_CASE("a device refuses what it does not have, and says which way", "[devices]") {
    auto const image = words_image();
    CHECK(devices::answer(Bytes{0x04, 0x00, 0x01, 0x00, 0x03}, image) == Bytes{0x84, 0x02});
    CHECK(devices::answer(Bytes{0x03, 0x00, 0x00, 0x00, 0x01}, image) == Bytes{0x83, 0x02});
    CHECK(devices::answer(Bytes{0x04, 0x00, 0x00, 0x00, 0x7e}, image) == Bytes{0x84, 0x03});
    CHECK(devices::answer(Bytes{0x04, 0x00, 0x00, 0x00, 0x00}, image) == Bytes{0x84, 0x03});
    CHECK(devices::answer(Bytes{0x06, 0x00, 0x00, 0x00, 0x01}, image) == Bytes{0x86, 0x01});
    CHECK(devices::answer(Bytes{0x04, 0x00}, image) == Bytes{0x84, 0x03});
}

TEST_CASE("on a serial line only the unit that is meant speaks, and only to a sound frame", "[devices]") {
    devices::Units const units = [](int unit) {
        return unit == 11 ? std::optional{words_image()} : std::nullopt;
    };
    auto const framed = [](Bytes frame) {
        auto const crc = devices::crc16(frame);
        frame.push_back(static_cast<std::uint8_t>(crc & 0xff));
        frame.push_back(static_cast<std::uint8_t>(crc >> 8));
        return frame;
    };
    auto const sound = framed({11, 0x04, 0x00, 0x01, 0x00, 0x01});
    CHECK(devices::rtu_answer(sound, units) == framed({11, 0x04, 0x02, 0x00, 0x9b}));
    auto broken = sound;
    broken[3] ^= 1;
    CHECK(devices::rtu_answer(broken, units).empty());
    CHECK(devices::rtu_answer(framed({12, 0x04, 0x00, 0x01, 0x00, 0x01}), units).empty());
    CHECK(devices::rtu_answer(framed({0, 0x04, 0x00, 0x01, 0x00, 0x01}), units).empty());
}

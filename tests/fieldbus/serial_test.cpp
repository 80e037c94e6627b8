// A line against a device behind a pseudo terminal. It has no bit rate of its own, so frames pass at once;
// the silences between them are ours and are real.
#include <catch2/catch.hpp>

#include <algorithm>
#include <cerrno>

#include "fieldbus/line.h"
#include "fieldbus/printing.h"
#include "fieldbus/serial_device.h"
#include "fieldbus/timing.h"

using namespace probekeeper;
using namespace probekeeper::fieldbus;
using namespace probekeeper::fieldbus::test;
using fleet::Table;
using Words = std::vector<std::uint16_t>;

namespace {

fleet::Line line_at(std::string const& device, int baud = 19'200, int timeout_ms = 2000) {
    fleet::Line line;
    line.transport = fleet::Transport::rtu;
    line.device = device;
    line.baud = baud;
    line.timeout_ms = timeout_ms;
    return line;
}

Bytes right_answer(Request const& request) {
    return rtu_frame(request.unit, right_pdu(request, [](auto, int address) {
                         return static_cast<std::uint16_t>(address == 107 ? 555 : address == 109 ? 100 : 0);
                     }));
}

constexpr Block example{Table::holding, 107, 3};

LinkError read_error(Line& line, int unit = 17) {
    Words words;
    auto const exchanged = line.read(unit, example, words);
    return exchanged ? LinkError{} : exchanged.error();
}

LinkError open_error(fleet::Line const& settings) {
    Line line{settings};
    auto const opened = line.open();
    return opened ? LinkError{} : opened.error();
}

LinkError fault_of(std::function<Bytes(Request const&)> answer, int timeout_ms = 2000) {
    SerialDevice const device{std::move(answer)};
    Line line{line_at(device.path(), 115'200, timeout_ms)};
    REQUIRE(line.open().has_value());
    return read_error(line);
}

}  // namespace

TEST_CASE("what goes over a serial wire is the published frames to the byte", "[fieldbus][serial]") {
    // PDUs: MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.4; frames with the CRC of the serial
    // guide.
    struct Example {
        std::uint8_t unit;
        Block block;
        Bytes request, answer;
    };
    Example const examples[] = {
        {1,
         {Table::coil, 19, 19},
         {1, 1, 0, 0x13, 0, 0x13, 0x8C, 0x02},
         {1, 1, 3, 0xCD, 0x6B, 5, 0x42, 0x82}},
        {1,
         {Table::discrete, 196, 22},
         {1, 2, 0, 0xC4, 0, 0x16, 0xB8, 0x39},
         {1, 2, 3, 0xAC, 0xDB, 0x35, 0x22, 0x88}},
        {1,
         {Table::holding, 107, 3},
         {1, 3, 0, 0x6B, 0, 3, 0x74, 0x17},
         {1, 3, 6, 2, 0x2B, 0, 0, 0, 0x64, 5, 0x7A}},
        {1, {Table::input, 8, 1}, {1, 4, 0, 8, 0, 1, 0xB0, 0x08}, {1, 4, 2, 0, 0x0A, 0x39, 0x37}},
        {17,
         {Table::coil, 19, 19},
         {17, 1, 0, 0x13, 0, 0x13, 0x8E, 0x92},
         {17, 1, 3, 0xCD, 0x6B, 5, 0x40, 0x12}},
        {17,
         {Table::discrete, 196, 22},
         {17, 2, 0, 0xC4, 0, 0x16, 0xBA, 0xA9},
         {17, 2, 3, 0xAC, 0xDB, 0x35, 0x20, 0x18}},
        {17,
         {Table::holding, 107, 3},
         {17, 3, 0, 0x6B, 0, 3, 0x76, 0x87},
         {17, 3, 6, 2, 0x2B, 0, 0, 0, 0x64, 0xC8, 0xBA}},
        {17, {Table::input, 8, 1}, {17, 4, 0, 8, 0, 1, 0xB2, 0x98}, {17, 4, 2, 0, 0x0A, 0xF8, 0xF4}},
        {1, {Table::holding, 0, 10}, {1, 3, 0, 0, 0, 10, 0xC5, 0xCD}, {}},
        {1, {Table::holding, 0, 2}, {1, 3, 0, 0, 0, 2, 0xC4, 0x0B}, {1, 3, 4, 1, 0xF4, 0, 0x64, 0xBB, 0xD6}}};
    for (auto const& e : examples) {
        SerialDevice const device{[&](Request const&) { return e.answer; }};
        Line line{line_at(device.path(), 115'200, e.answer.empty() ? 30 : 2000)};
        REQUIRE(line.open().has_value());
        Words words;
        auto const exchanged = line.read(e.unit, e.block, words);
        CHECK(exchanged.has_value() == !e.answer.empty());
        auto const heard = device.heard();
        REQUIRE(heard.size() == 1);
        CHECK(heard.front().frame == e.request);
    }
}

TEST_CASE("the CRC of the tests is the published one", "[fieldbus][serial]") {
    // CRC-16/MODBUS of "123456789" is 0x4B37; the serial line guide's appendix has 02 07 -> 41 12 on the
    // wire.
    CHECK(crc16({'1', '2', '3', '4', '5', '6', '7', '8', '9'}) == 0x4B37);
    CHECK(rtu_frame(2, {7}) == Bytes{2, 7, 0x41, 0x12});
}

TEST_CASE("registers and bits come over a serial line", "[fieldbus][serial]") {
    SerialDevice const device{right_answer};
    Line line{line_at(device.path())};
    REQUIRE(line.open().has_value());
    Words words;
    REQUIRE(line.read(17, example, words).has_value());
    CHECK(words == Words{555, 0, 100});
    REQUIRE(line.read(17, {Table::coil, 107, 3}, words).has_value());
    CHECK(words == Words{1, 0, 1});
}

TEST_CASE("a garbled answer is a bad CRC, whichever byte is garbled", "[fieldbus][serial]") {
    // Not the byte count: it changes where the frame seems to end.
    for (std::size_t const garbled : {0U, 3U, 4U, 8U, 9U, 10U}) {
        CAPTURE(garbled);
        CHECK(fault_of([&](Request const& request) {
                  auto frame = right_answer(request);
                  frame[garbled] = static_cast<std::uint8_t>(frame[garbled] ^ 0x10);
                  return frame;
              }).fault == Fault::bad_crc);
    }
}

TEST_CASE("a serial answer cut short is a short frame, and none at all a timeout", "[fieldbus][serial]") {
    for (std::size_t const length : {1U, 2U, 3U, 7U, 10U}) {
        CAPTURE(length);
        CHECK(fault_of(
                  [&](Request const& request) {
                      auto frame = right_answer(request);
                      frame.resize(length);
                      return frame;
                  },
                  30)
                  .fault == Fault::short_frame);
    }
    CHECK(fault_of([](Request const&) { return Bytes{}; }, 30) == LinkError{Fault::timed_out, 0});
}

TEST_CASE("exceptions, other units and other functions are told apart on a serial line",
          "[fieldbus][serial]") {
    CHECK(fault_of([](Request const& request) {
              return rtu_frame(request.unit, exception_pdu(request, 2));
          }) == LinkError{Fault::exception, 2});
    CHECK(fault_of([](Request const& request) {
              return rtu_frame(request.unit, exception_pdu(request, 0x0B));
          }) == LinkError{Fault::exception, 0x0B});
    CHECK(fault_of([](Request request) {
              request.unit = 3;
              return right_answer(request);
          }) == LinkError{Fault::wrong_unit, 3});
    CHECK(fault_of([](Request request) {
              request.function = 4;
              return right_answer(request);
          }) == LinkError{Fault::wrong_reply, static_cast<int>(WrongReply::function)});
    CHECK(fault_of([](Request request) {
              request.count = 1;
              return right_answer(request);
          }) == LinkError{Fault::wrong_reply, static_cast<int>(WrongReply::length)});
}

TEST_CASE("units that a serial line cannot have are refused without a byte on the wire",
          "[fieldbus][serial]") {
    SerialDevice const device{right_answer};
    Line line{line_at(device.path())};
    REQUIRE(line.open().has_value());
    for (int const unit : {0, 248, 255}) {
        CHECK(read_error(line, unit) == LinkError{Fault::wrong_unit, unit});
    }
    CHECK(read_error(line, 247) == LinkError{});
    CHECK(device.heard().size() == 1);
}

TEST_CASE("a late serial answer is flushed before the next request", "[fieldbus][serial]") {
    SerialDevice device{[count = 0](Request const& request) mutable {
        return ++count == 1 ? Bytes{} : right_answer(request);
    }};
    Line line{line_at(device.path(), 19'200, 30)};
    REQUIRE(line.open().has_value());
    CHECK(read_error(line).fault == Fault::timed_out);
    device.send(rtu_frame(17, {3, 6, 9, 9, 9, 9, 9, 9}));
    REQUIRE(device.delivered());
    Words words;
    REQUIRE(line.read(17, example, words).has_value());
    CHECK(words == Words{555, 0, 100});
}

TEST_CASE("between frames the line is silent for at least 3.5 characters", "[fieldbus][serial]") {
    auto const baud = GENERATE(1200, 9600, 38'400);
    SerialDevice const device{right_answer};
    auto const settings = line_at(device.path(), baud);
    Line line{settings};
    REQUIRE(line.open().has_value());
    constexpr int exchanges = 30;
    for (int i = 0; i < exchanges; ++i) {
        REQUIRE(read_error(line) == LinkError{});
    }
    auto const heard = device.heard();
    REQUIRE(heard.size() == exchanges);
    auto const gap = timing_of(settings).gap;
    std::vector<Nanos> gaps;
    for (std::size_t i = 1; i < heard.size(); ++i) {
        gaps.push_back(heard[i].came - heard[i - 1].answered);
        CHECK(gaps.back() >= gap);
    }
    std::sort(gaps.begin(), gaps.end());
    INFO("baud " << baud << ": gap " << gap.count() / 1000 << " us, median kept "
                 << gaps[gaps.size() / 2].count() / 1000 << " us");
    CHECK(gaps[gaps.size() / 2] < gap + std::chrono::milliseconds{5});
}

TEST_CASE("the silence is kept after a timeout too, from the end of our own request", "[fieldbus][serial]") {
    SerialDevice const device{[](Request const&) { return Bytes{}; }};
    auto const settings = line_at(device.path(), 1200, 1);
    Line line{settings};
    REQUIRE(line.open().has_value());
    CHECK(read_error(line).fault == Fault::timed_out);
    CHECK(read_error(line).fault == Fault::timed_out);
    auto const heard = device.heard();
    REQUIRE(heard.size() == 2);
    auto const timing = timing_of(settings);
    CHECK(heard[1].came - heard[0].came >=
          timing.frame(request_bytes) + timing.gap - std::chrono::milliseconds{2});
}

TEST_CASE("a serial device is held by one line at a time, and given back", "[fieldbus][serial]") {
    SerialDevice const device{right_answer};
    Line first{line_at(device.path())};
    REQUIRE(first.open().has_value());
    CHECK(open_error(line_at(device.path())) == LinkError{Fault::open_failed, EBUSY});
    CHECK(read_error(first) == LinkError{});  // the refused one has changed nothing
    first.close();
    CHECK(open_error(line_at(device.path())) == LinkError{});
}

TEST_CASE("a serial device that is absent, or is none, is told as that", "[fieldbus][serial]") {
    CHECK(open_error(line_at("/dev/there-is-no-such-port")) == LinkError{Fault::open_failed, ENOENT});
    CHECK(open_error(line_at("/dev/null")) == LinkError{Fault::open_failed, ENOTTY});
    SerialDevice const device{right_answer};
    CHECK(open_error(line_at(device.path(), 12'345)) == LinkError{Fault::open_failed, EINVAL});
}

TEST_CASE("an adapter that is unplugged closes the line", "[fieldbus][serial]") {
    SerialDevice device{right_answer};
    Line line{line_at(device.path(), 19'200, 200)};
    REQUIRE(line.open().has_value());
    REQUIRE(read_error(line) == LinkError{});
    device.vanish();
    CHECK(read_error(line).fault == Fault::closed_by_peer);
    CHECK_FALSE(line.is_open());
}

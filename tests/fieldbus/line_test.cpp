// A line against a device on loopback that misbehaves on purpose: each misconduct has its own fault.
#include <catch2/catch.hpp>

#include <netdb.h>

#include <cerrno>

#include "fieldbus/line.h"
#include "fieldbus/printing.h"
#include "fieldbus/simulated_device.h"
#include "fieldbus/wait.h"

using namespace probekeeper;
using namespace probekeeper::fieldbus;
using namespace probekeeper::fieldbus::test;
using fleet::Table;

namespace {

constexpr int unit = 17;
// Published example: registers 108 to 110 hold 555, 0, 100.
constexpr Block example{Table::holding, 107, 3};
using Words = std::vector<std::uint16_t>;

std::uint16_t example_value(std::uint8_t, int address) {
    return static_cast<std::uint16_t>(address == 107 ? 555 : address == 109 ? 100 : 0);
}

Bytes right_answer(Request const& request) {
    return tcp_frame(request, right_pdu(request, example_value));
}

fleet::Line line_to(std::uint16_t port, int timeout_ms = 2000) {
    fleet::Line line;
    line.host = "127.0.0.1";
    line.port = port;
    line.timeout_ms = timeout_ms;
    return line;
}

struct Result {
    LinkError error;
    Words words;
};

Result read(Line& line, Block const& block = example) {
    Result result;
    auto const exchanged = line.read(unit, block, result.words);
    result.error = exchanged ? LinkError{} : exchanged.error();
    return result;
}

// A bare root has no /etc/hosts, and then no name to look up.
bool resolvable(char const* name) {
    addrinfo* found = nullptr;
    if (::getaddrinfo(name, nullptr, nullptr, &found) != 0) {
        return false;
    }
    ::freeaddrinfo(found);
    return true;
}

LinkError open_error(fleet::Line const& settings) {
    Line line{settings};
    auto const opened = line.open();
    return opened ? LinkError{} : opened.error();
}

// The fault of one read from a device with this conduct.
LinkError fault_of(std::function<Conduct(Request const&)> conduct, int timeout_ms = 2000) {
    SimulatedDevice const device{std::move(conduct)};
    Line line{line_to(device.port(), timeout_ms)};
    REQUIRE(line.open().has_value());
    return read(line).error;
}

}  // namespace

TEST_CASE("requests carry the bytes of the published examples", "[fieldbus][line]") {
    // MODBUS Application Protocol Specification V1.1b3, sections 6.1 to 6.4: request and answer PDUs.
    struct Example {
        Block block;
        Bytes request, answer;
        Words first, last;
    };
    Example const examples[] = {
        {{Table::coil, 19, 19},
         {1, 0, 0x13, 0, 0x13},
         {1, 3, 0xCD, 0x6B, 0x05},
         {1, 0, 1, 1, 0, 0, 1, 1},
         {1, 0, 1}},
        {{Table::discrete, 196, 22},
         {2, 0, 0xC4, 0, 0x16},
         {2, 3, 0xAC, 0xDB, 0x35},
         {0, 0, 1, 1, 0, 1, 0, 1},
         {1, 0, 1, 0, 1, 1}},
        {{Table::holding, 107, 3}, {3, 0, 0x6B, 0, 3}, {3, 6, 2, 0x2B, 0, 0, 0, 0x64}, {555}, {0, 100}},
        {{Table::input, 8, 1}, {4, 0, 8, 0, 1}, {4, 2, 0, 0x0A}, {10}, {10}}};
    for (auto const& e : examples) {
        Bytes asked;
        {
            SimulatedDevice const device{[&](Request const& request) {
                asked = request.frame;
                return says(tcp_frame(request, e.answer));
            }};
            Line line{line_to(device.port())};
            REQUIRE(line.open().has_value());
            auto const [error, words] = read(line, e.block);
            CAPTURE(describe(error));
            REQUIRE(error == LinkError{});
            REQUIRE(words.size() == e.block.count);
            CHECK(Words(words.begin(), words.begin() + static_cast<long>(e.first.size())) == e.first);
            CHECK(Words(words.end() - static_cast<long>(e.last.size()), words.end()) == e.last);
        }  // the device is no longer at work
        REQUIRE(asked.size() == 12);
        CHECK(Bytes(asked.begin(), asked.begin() + 7) == Bytes{0, 1, 0, 0, 0, 6, unit});
        CHECK(Bytes(asked.begin() + 7, asked.end()) == e.request);
    }
}

TEST_CASE("the largest reads come whole", "[fieldbus][line]") {
    SimulatedDevice const device{[](Request const& request) {
        return says(tcp_frame(request, right_pdu(request, [](std::uint8_t function, int address) {
                                  return static_cast<std::uint16_t>(function >= 3 ? address
                                                                                  : address % 3 == 0);
                              })));
    }};
    Line line{line_to(device.port())};
    REQUIRE(line.open().has_value());
    auto const registers = read(line, {Table::input, 65411, registers_per_read});
    REQUIRE(registers.error == LinkError{});
    CHECK(registers.words.front() == 65411);
    CHECK(registers.words.back() == 65535);
    auto const bits = read(line, {Table::coil, 3, bits_per_read});
    REQUIRE(bits.error == LinkError{});
    REQUIRE(bits.words.size() == bits_per_read);
    for (std::size_t i = 0; i < bits.words.size(); ++i) {
        REQUIRE(bits.words[i] == ((i + 3) % 3 == 0 ? 1 : 0));
    }
}

TEST_CASE("an answer that comes byte by byte is an answer", "[fieldbus][line]") {
    CHECK(fault_of([](Request const& request) {
              Conduct conduct;
              for (auto const byte : right_answer(request)) {
                  conduct.pieces.push_back({byte});
              }
              return conduct;
          }) == LinkError{});
}

TEST_CASE("each Modbus exception is told with its code", "[fieldbus][line]") {
    for (int const code : {1, 2, 3, 4, 5, 6, 8, 0x0A, 0x0B, 0x7F}) {
        CAPTURE(code);
        CHECK(fault_of([&](Request const& request) {
                  return says(tcp_frame(request, exception_pdu(request, static_cast<std::uint8_t>(code))));
              }) == LinkError{Fault::exception, code});
    }
}

TEST_CASE("a silent device times out, and not before its time", "[fieldbus][line]") {
    SimulatedDevice const device{[](Request const&) { return stays_silent(); }};
    Line line{line_to(device.port(), 80)};
    REQUIRE(line.open().has_value());
    auto const started = SteadyClock::now();
    CHECK(read(line).error == LinkError{Fault::timed_out, 0});
    CHECK(SteadyClock::now() - started >= std::chrono::milliseconds{80});
}

TEST_CASE("an answer cut short is a short frame, at every length", "[fieldbus][line]") {
    auto const whole = right_answer({0, unit, 3, 107, 3, {}}).size();
    for (std::size_t length = 1; length < whole; ++length) {
        CAPTURE(length);
        CHECK(fault_of(
                  [&](Request const& request) {
                      auto frame = right_answer(request);
                      frame.resize(length);
                      return says(frame);
                  },
                  20)
                  .fault == Fault::short_frame);
    }
}

TEST_CASE("an answer cut short by the end of the connection is a short frame too", "[fieldbus][line]") {
    CHECK(fault_of([](Request const& request) {
              auto frame = right_answer(request);
              frame.resize(10);
              return Conduct{{frame}, /*hang_up=*/true};
          }).fault == Fault::short_frame);
}

TEST_CASE("a connection dropped instead of an answer is told as that", "[fieldbus][line]") {
    CHECK(fault_of([](Request const&) {
              return Conduct{{}, /*hang_up=*/true};
          }).fault == Fault::closed_by_peer);
}

TEST_CASE("another unit's answer is refused and the unit is named", "[fieldbus][line]") {
    CHECK(fault_of([](Request request) {
              request.unit = 18;
              return says(right_answer(request));
          }) == LinkError{Fault::wrong_unit, 18});
}

TEST_CASE("an answer that does not fit the request says in what", "[fieldbus][line]") {
    auto const wrong = [](WrongReply what) { return LinkError{Fault::wrong_reply, static_cast<int>(what)}; };
    CHECK(fault_of([](Request request) {
              request.transaction = static_cast<std::uint16_t>(request.transaction + 1);
              return says(right_answer(request));
          }) == wrong(WrongReply::transaction));
    CHECK(fault_of([](Request request) {
              request.function = 4;
              return says(right_answer(request));
          }) == wrong(WrongReply::function));
    CHECK(fault_of([](Request const& request) {
              return says(tcp_frame(request, {0x84, 2}));
          }) == wrong(WrongReply::function));
    CHECK(fault_of([](Request request) {
              request.count = 2;
              return says(right_answer(request));
          }) == wrong(WrongReply::length));
    CHECK(fault_of([](Request const& request) {
              auto frame = right_answer(request);
              frame[5] = static_cast<std::uint8_t>(frame[5] + 1);
              return says(frame);
          }) == wrong(WrongReply::length));
    for (std::size_t const protocol_byte : {2U, 3U}) {
        CHECK(fault_of([&](Request const& request) {
                  auto frame = right_answer(request);
                  frame[protocol_byte] = 1;
                  return says(frame);
              }) == wrong(WrongReply::protocol));
    }
}

TEST_CASE("a host that refuses and one that cannot be reached are told apart", "[fieldbus][line]") {
    CHECK(open_error(line_to(deaf_port())) == LinkError{Fault::refused, ECONNREFUSED});
    auto nowhere = line_to(502, 200);
    nowhere.host = "255.255.255.255";  // the limited broadcast address takes no connection
    CHECK(open_error(nowhere).fault == Fault::unreachable);
    nowhere.host = "-";  // no host name: refused before anyone is asked
    CHECK(open_error(nowhere).fault == Fault::unreachable);
    CHECK(open_error(nowhere).code < 0);
}

TEST_CASE("a host name is looked up", "[fieldbus][line]") {
    if (!resolvable("localhost")) {
        WARN("skipped: this machine does not resolve localhost (no /etc/hosts?)");
        return;
    }
    SimulatedDevice const device{[](Request const& request) { return says(right_answer(request)); }};
    auto settings = line_to(device.port());
    settings.host = "localhost";
    Line line{settings};
    REQUIRE(line.open().has_value());
    CHECK(read(line).words == Words{555, 0, 100});
}

TEST_CASE("a late answer does not pass for the next one", "[fieldbus][line]") {
    // The device holds back its first answer and sends it just before the second, with other values.
    std::optional<Bytes> held_back;
    SimulatedDevice const device{[&](Request const& request) {
        if (!held_back) {
            held_back = tcp_frame(request, right_pdu(request, [](auto, int) { return std::uint16_t{999}; }));
            return stays_silent();
        }
        return Conduct{{*held_back, right_answer(request)}};
    }};
    Line line{line_to(device.port(), 300)};
    REQUIRE(line.open().has_value());
    CHECK(read(line).error.fault == Fault::timed_out);
    CHECK(read(line).words == Words{555, 0, 100});
    CHECK(device.connections() == 1);
}

TEST_CASE("an answer that comes twice does not pass for the next one", "[fieldbus][line]") {
    SimulatedDevice const device{[](Request const& request) {
        auto const again =
            tcp_frame(request, right_pdu(request, [](auto, int) { return std::uint16_t{999}; }));
        return Conduct{{right_answer(request), again}};
    }};
    Line line{line_to(device.port())};
    REQUIRE(line.open().has_value());
    for (int i = 0; i < 20; ++i) {
        auto const got = read(line);
        REQUIRE(got.error == LinkError{});
        REQUIRE(got.words == Words{555, 0, 100});
    }
    CHECK(device.connections() == 1);
}

TEST_CASE("old answers without end hold the line up no longer than a silent device", "[fieldbus][line]") {
    auto const first = right_answer({1, unit, 3, 107, 3, {}});
    Bytes flood;  // the first answer again and again, more than can be passed over in the time
    for (int i = 0; i < 1'500'000; ++i) {
        flood.insert(flood.end(), first.begin(), first.end());
    }
    SimulatedDevice const device{[&](Request const& request) {
        return says(request.transaction == 1 ? flood : right_answer(request));
    }};
    Line line{line_to(device.port(), 20)};
    REQUIRE(line.open().has_value());
    static_cast<void>(read(line));  // an answer, if the machine is not too busy
    CHECK(read(line).error.fault == Fault::timed_out);
}

TEST_CASE("four requests in a row that nobody answers close the connection", "[fieldbus][line]") {
    SimulatedDevice const device{[](Request const&) { return stays_silent(); }};
    Line line{line_to(device.port(), 20)};
    REQUIRE(line.open().has_value());
    for (int asked = 1; asked <= 4; ++asked) {
        CHECK(line.is_open());
        CHECK(read(line).error.fault == Fault::timed_out);
    }
    CHECK_FALSE(line.is_open());
    CHECK(line.open().has_value());
}

TEST_CASE("a connection that an idle device has closed is noticed before it is used", "[fieldbus][line]") {
    SimulatedDevice const device{[](Request const& request) {
        return Conduct{{right_answer(request)}, /*hang_up=*/true};
    }};
    Line line{line_to(device.port())};
    REQUIRE(line.open().has_value());
    CHECK(line.usable());
    REQUIRE(read(line).error == LinkError{});
    auto const deadline = SteadyClock::now() + std::chrono::seconds{10};
    while (line.usable() && SteadyClock::now() < deadline) {
    }
    CHECK_FALSE(line.usable());
    REQUIRE(line.open().has_value());
    CHECK(read(line).words == Words{555, 0, 100});
}

TEST_CASE("transaction identifiers go round after 65536 requests", "[fieldbus][line]") {
    SimulatedDevice const device{[](Request const& request) { return says(right_answer(request)); }};
    Line line{line_to(device.port())};
    REQUIRE(line.open().has_value());
    for (int i = 0; i < 65'540; ++i) {
        REQUIRE(read(line, {Table::holding, 107, 1}).error == LinkError{});
    }
    CHECK(device.connections() == 1);
}

TEST_CASE("every fault has a name and a sentence", "[fieldbus][fault]") {
    for (auto const fault : all_faults) {
        CHECK_FALSE(to_word(fault).empty());
        CHECK_FALSE(describe(fault, 1).empty());
    }
    CHECK(describe(Fault::exception, 2).find("illegal data address") != std::string::npos);
    CHECK(describe(Fault::exception, 0x0B).find("0B") != std::string::npos);
    CHECK(describe(Fault::exception, 0x2A).find("2A") != std::string::npos);
    CHECK(describe(Fault::wrong_unit, 18).find("18") != std::string::npos);
    CHECK(describe(Fault::open_failed, ENOENT) != describe(Fault::open_failed, EBUSY));
    CHECK(describe(Fault::no_descriptor, 1024).find("1024") != std::string::npos);
    CHECK(describe(Fault::decode, decode_code({SignalName::pressure, DecodeFault::infinite})) ==
          "pressure is infinite; check `type` and `order` in the register map, or the device has no value");
}

#include "scada/frame.h"

#include <catch2/catch.hpp>
#include <numeric>

namespace probekeeper::scada {
namespace {

using Bytes = std::vector<std::uint8_t>;

// One unit, number 1, whose registers hold their own address and whose odd bits are set.
class Numbered final : public Registers {
public:
    Numbered() : registers_(300), bits_(3000) {
        std::iota(registers_.begin(), registers_.end(), std::uint16_t{0});
        for (std::size_t i = 0; i < bits_.size(); ++i) {
            bits_[i] = i % 2;
        }
    }
    std::span<std::uint16_t const> registers(std::uint8_t unit) const override {
        return unit == 1 ? std::span<std::uint16_t const>{registers_} : std::span<std::uint16_t const>{};
    }
    std::span<std::uint8_t const> bits(std::uint8_t unit) const override {
        return unit == 1 ? std::span<std::uint8_t const>{bits_} : std::span<std::uint8_t const>{};
    }

private:
    std::vector<std::uint16_t> registers_;
    std::vector<std::uint8_t> bits_;
};

Bytes frame(Bytes pdu, std::uint8_t unit = 1) {
    Bytes out{0x12, 0x34, 0, 0, 0, static_cast<std::uint8_t>(pdu.size() + 1), unit};
    out.insert(out.end(), pdu.begin(), pdu.end());
    return out;
}

Bytes read(std::uint8_t function, unsigned first, unsigned quantity) {
    return {function, static_cast<std::uint8_t>(first >> 8), static_cast<std::uint8_t>(first),
            static_cast<std::uint8_t>(quantity >> 8), static_cast<std::uint8_t>(quantity)};
}

Bytes answer_to(Bytes const& pdu, std::uint8_t unit = 1) {
    return answer(frame(pdu, unit), Numbered{});
}

TEST_CASE("registers are answered with the transaction and unit of the request", "[scada][frame]") {
    for (std::uint8_t const function : Bytes{3, 4}) {
        CHECK(answer_to(read(function, 258, 2)) ==
              Bytes{0x12, 0x34, 0, 0, 0, 7, 1, function, 4, 0x01, 0x02, 0x01, 0x03});
    }
}

TEST_CASE("bits are packed with the first in the lowest place", "[scada][frame]") {
    for (std::uint8_t const function : Bytes{1, 2}) {
        CHECK(answer_to(read(function, 1, 9)) == Bytes{0x12, 0x34, 0, 0, 0, 5, 1, function, 2, 0x55, 0x01});
    }
}

TEST_CASE("the longest answers are whole", "[scada][frame]") {
    CHECK(answer_to(read(3, 0, 125)).size() == 9 + 250);
    CHECK(answer_to(read(2, 0, 2000)).size() == 9 + 250);
    CHECK(answer_to(read(3, 299, 1)).size() == 9 + 2);
}

TEST_CASE("what cannot be answered gets the exception that says why", "[scada][frame]") {
    struct Case {
        Bytes pdu;
        std::uint8_t unit;
        Exception why;
    };
    using enum Exception;
    for (auto const& c : std::vector<Case>{
             {read(3, 0, 0), 1, illegal_data_value},
             {read(3, 0, 126), 1, illegal_data_value},
             {read(4, 0, 65'535), 1, illegal_data_value},
             {read(1, 0, 2001), 1, illegal_data_value},
             {read(3, 300, 1), 1, illegal_data_address},
             {read(3, 299, 2), 1, illegal_data_address},
             {read(3, 65'535, 125), 1, illegal_data_address},
             {read(2, 2999, 2), 1, illegal_data_address},
             {{3, 0, 0, 0}, 1, illegal_data_value},        // short
             {{3, 0, 0, 0, 1, 0}, 1, illegal_data_value},  // long
             {{3}, 1, illegal_data_value},
             {read(3, 0, 1), 2, gateway_path_unavailable},
             {{5, 0, 0, 0xff, 0}, 1, illegal_function},  // every way to write
             {{6, 0, 0, 0, 1}, 1, illegal_function},
             {{15, 0, 0, 0, 1, 1, 1}, 1, illegal_function},
             {{16, 0, 0, 0, 1, 2, 0, 1}, 1, illegal_function},
             {{22, 0, 0, 0, 0, 0, 0}, 1, illegal_function},
             {{23, 0, 0, 0, 1, 0, 0, 0, 1, 2, 0, 0}, 1, illegal_function},
             {{43, 14, 1, 0}, 1, illegal_function},
             {{0}, 1, illegal_function},
             {{255}, 1, illegal_function},
         }) {
        CAPTURE(c.pdu, int{c.unit});
        auto const got = answer_to(c.pdu, c.unit);
        CHECK(got == Bytes{0x12, 0x34, 0, 0, 0, 3, c.unit, static_cast<std::uint8_t>(c.pdu[0] | 0x80),
                           static_cast<std::uint8_t>(c.why)});
    }
}

TEST_CASE("a single write is known by its form, and is echoed or refused", "[scada][frame]") {
    auto const whole = frame({6, 0, 168, 0, 1});
    auto const write = write_one_in(whole);
    REQUIRE(write);
    CHECK(int{write->unit} == 1);
    CHECK(write->address == 168);
    CHECK(write->value == 1);
    CHECK(answer_write(whole, std::nullopt) == whole);
    CHECK(answer_write(whole, Exception::illegal_data_value) == Bytes{0x12, 0x34, 0, 0, 0, 3, 1, 0x86, 3});
    CHECK_FALSE(write_one_in(frame({6, 0, 168, 0})));
    CHECK_FALSE(write_one_in(frame({6, 0, 168, 0, 1, 0})));
    CHECK_FALSE(write_one_in(frame({16, 0, 168, 0, 1})));
}

TEST_CASE("a frame that comes a byte at a time is whole with its last byte and not before",
          "[scada][frame]") {
    auto const all = frame(read(3, 0, 1));
    for (std::size_t n = 0; n < all.size(); ++n) {
        CAPTURE(n);
        CHECK(cut(std::span{all}.first(n)).is == Cut::Is::incomplete);
    }
    auto more = all;
    more.push_back(0x99);  // the next frame's
    CHECK(cut(more).is == Cut::Is::whole);
    CHECK(cut(more).bytes == all.size());
}

TEST_CASE("what is no Modbus TCP is known by the first bytes that show it", "[scada][frame]") {
    CHECK(cut(Bytes{0, 1, 1}).is == Cut::Is::broken);  // protocol
    CHECK(cut(Bytes{0, 1, 0, 7}).is == Cut::Is::broken);
    CHECK(cut(Bytes{0, 1, 0, 0, 0, 0}).is == Cut::Is::broken);  // lengths that no frame has
    CHECK(cut(Bytes{0, 1, 0, 0, 0, 1}).is == Cut::Is::broken);
    CHECK(cut(Bytes{0, 1, 0, 0, 0, 255}).is == Cut::Is::broken);
    CHECK(cut(Bytes{0, 1, 0, 0, 0xff, 0xff}).is == Cut::Is::broken);
    CHECK(cut(Bytes{0, 1, 0, 0, 0, 254}).is == Cut::Is::incomplete);
    std::string const http = "GET / HTTP/1.1\r\n";
    CHECK(cut(Bytes{http.begin(), http.end()}).is == Cut::Is::broken);
}

TEST_CASE("no bytes of a frame make an answer too long or out of step", "[scada][frame]") {
    Numbered const registers;
    std::uint32_t random = 12'345;  // of a linear congruential generator; always the same
    auto const next = [&] {
        return static_cast<std::uint8_t>((random = random * 1'664'525U + 1'013'904'223U) >> 24);
    };
    for (int i = 0; i < 100'000; ++i) {
        Bytes pdu(1 + next() % 253U);
        for (auto& byte : pdu) {
            byte = next();
        }
        pdu[0] = static_cast<std::uint8_t>(pdu[0] % 8);
        auto const got = answer(frame(pdu), registers);
        REQUIRE(got.size() <= longest_frame);
        REQUIRE(cut(got).is == Cut::Is::whole);
        REQUIRE(cut(got).bytes == got.size());
    }
}

}  // namespace
}  // namespace probekeeper::scada

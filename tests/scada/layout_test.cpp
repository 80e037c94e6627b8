#include "scada/layout.h"

#include <bit>
#include <catch2/catch.hpp>
#include <cmath>

namespace probekeeper::scada {
namespace {

constexpr auto now = Timestamp{Millis{1'800'000'000'000}};

float float_at(std::span<std::uint16_t const> registers, std::size_t at) {
    return std::bit_cast<float>(std::uint32_t{registers[at]} << 16 | registers[at + 1]);
}

ProbeNow probe(std::int64_t number, std::string id = "tank-1") {
    ProbeNow out;
    out.number = number;
    out.id = std::move(id);
    return out;
}

TEST_CASE("a probe's block holds each number as an integer and as a float", "[scada][layout]") {
    auto one = probe(1);
    one.condition = diagnosis::Condition::maintenance_required;
    diagnosis::Diagnosis diagnosis;
    diagnosis.t90.emplace();
    diagnosis.t90->value_s = 93.44;
    diagnosis.t90->ratio = 2.345;
    diagnosis.findings.push_back({});
    diagnosis.findings.back().reason = diagnosis::Reason::fluctuation;
    tell(one, diagnosis);
    diagnosis.fluctuation.emplace();
    diagnosis.fluctuation->value_mg_l = 0.0214;
    tell(one, diagnosis);
    one.ticket =
        ProbeNow::Ticket{70'000, service::State::planned, service::Urgency::this_week, now + days(2.5), true};
    one.last_reading.emplace();
    one.last_reading->time = now - seconds(12.0);
    one.last_reading->do_mg_l = 7.256;
    one.last_reading->temperature_c = -0.5;
    Image const image{{{}, {one}, now}, 77};
    auto const all = image.registers(1);
    REQUIRE(all.size() == 200);
    auto const block = all.subspan(100);
    CHECK(block[0] == 1);
    CHECK(block[1] == 2);
    CHECK(block[2] == 'M');
    CHECK(block[3] == 0b100);
    CHECK(block[5] == 3);
    CHECK((std::uint32_t{block[6]} << 16 | block[7]) == 70'000);
    CHECK(block[8] == 12);
    CHECK(block[9] == 25);
    CHECK(block[10] == 726);
    CHECK(block[11] == unknown_integer);
    CHECK(block[12] == 0xffce);  // -50
    CHECK(block[13] == 934);
    CHECK(block[14] == 235);
    CHECK(float_at(block, 20) == Approx(7.256F));
    CHECK(std::isnan(float_at(block, 22)));
    CHECK(float_at(block, 26) == Approx(93.44F));
    CHECK(float_at(block, 36) == Approx(2.5F));
    CHECK(block[18] == 21);
    CHECK(block[19] == 2);
    CHECK(float_at(block, 64) == Approx(0.0214F));
    CHECK(block[seen_register] == 2);
    CHECK(block[40] == ('t' << 8 | 'a'));
    CHECK(block[42] == ('-' << 8 | '1'));
    CHECK(block[43] == 0);
    auto const bits = image.bits(1).subspan(16, 16);
    CHECK(std::vector<int>(bits.begin(), bits.begin() + 8) == std::vector{0, 0, 1, 0, 0, 0, 1, 1});
}

TEST_CASE("the summary counts the probes and tells layout and heartbeat on every unit", "[scada][layout]") {
    auto good = probe(1);
    good.condition = diagnosis::Condition::good;
    auto const far = probe(601, "far");
    Image const image{{{{1, "a", 2, 1}, {2, "b", 1, 0}}, {good, far}, now}, 77};
    for (std::uint8_t const unit : std::vector<std::uint8_t>{1, 2, first_site_unit}) {
        auto const all = image.registers(unit);
        CHECK(all[0] == layout_version);
        CHECK(all[1] == 77);
        CHECK(all[2] == 2);
        CHECK(all[3] == 1);  // unknown
        CHECK(all[4] == 1);  // good
        CHECK(all[10] == 3);
        CHECK(all[11] == 1);
        CHECK((std::uint32_t{all[12]} << 16 | all[13]) == 1'800'000'000);
        CHECK(all[14] == 2);
    }
    CHECK(image.registers(1).size() == 601 * 100);
    CHECK(image.registers(2).size() == 2 * 100);
    CHECK(image.registers(2)[140] == ('f' << 8 | 'a'));
    CHECK(image.registers(3).empty());
    CHECK(image.registers(0).data() == image.registers(1).data());
    CHECK(image.registers(255).data() == image.registers(1).data());
}

TEST_CASE("a probe stays where it is when others come and go", "[scada][layout]") {
    Image const before{{{}, {probe(1, "a"), probe(2, "b"), probe(3, "c")}, now}, 0};
    Image const after{{{}, {probe(4, "d"), probe(3, "c")}, now}, 0};
    CHECK(before.registers(1)[340] == after.registers(1)[340]);
    CHECK(after.registers(1)[300] == 1);
    CHECK(after.registers(1)[200] == 0);  // gone, readable, and without a number
    CHECK(after.registers(1)[210] == unknown_integer);
    CHECK(std::isnan(float_at(after.registers(1), 220)));
}

TEST_CASE("what does not fit an integer stands at its end and is never wrapped", "[scada][layout]") {
    auto one = probe(1);
    one.t90_s = 1e9;
    one.background_mg_l = -1e9;
    one.span_percent = std::numeric_limits<double>::infinity();
    Image const image{{{}, {one}, now}, 0};
    CHECK(image.registers(1)[113] == 32'767);
    CHECK(image.registers(1)[115] == 0x8001);
    CHECK(image.registers(1)[117] == unknown_integer);
}

TEST_CASE("a site's block sums up its own probes and lines", "[scada][layout]") {
    auto worn = probe(1, "a-1");
    worn.condition = diagnosis::Condition::maintenance_required;
    worn.ticket =
        ProbeNow::Ticket{1, service::State::open, service::Urgency::this_week, now + days(3.0), false};
    auto failed = probe(2, "a-2");
    failed.condition = diagnosis::Condition::failure;
    failed.ticket = ProbeNow::Ticket{2, service::State::open, service::Urgency::now, now - days(1.0), true};
    failed.last_reading.emplace();
    failed.last_reading->time = now - seconds(90.0);
    auto elsewhere = probe(3, "b-1");
    elsewhere.condition = diagnosis::Condition::good;
    elsewhere.site = 1;
    Image const image{{{{1, "a", 1, 2}, {4, "b", 1, 0}}, {worn, failed, elsewhere}, now}, 0};
    auto const a = image.registers(first_site_unit).subspan(100, 100);
    CHECK(a[0] == 1);
    CHECK(a[1] == 5);
    CHECK(a[2] == 'F');
    CHECK(a[3] == 2);
    CHECK(std::vector<int>(a.begin() + 4, a.begin() + 10) == std::vector{0, 0, 1, 0, 0, 1});
    CHECK(std::vector<int>(a.begin() + 10, a.begin() + 16) == std::vector{2, 1, 1, 1, 2, 90});
    CHECK(a[16] == 0xfff6);  // -1.0 days
    CHECK(float_at(a, 22) == Approx(-1.0F));
    CHECK(a[40] == ('a' << 8));
    auto const bits = image.bits(first_site_unit).subspan(16, 16);
    CHECK(std::vector<int>(bits.begin(), bits.begin() + 12) ==
          std::vector{0, 0, 1, 0, 0, 1, 1, 1, 1, 0, 1, 1});
    auto const nobody = image.registers(first_site_unit).subspan(200, 100);
    CHECK(nobody[0] == 0);
    CHECK(nobody[16] == unknown_integer);
    auto const b = image.registers(first_site_unit).subspan(400, 100);
    CHECK(b[1] == 1);
    CHECK(b[2] == 0);
}

TEST_CASE("the register of a ticket seen is a present probe's own and no other", "[scada][layout]") {
    Image const image{{{{1, "a", 0, 0}}, {probe(1), probe(3), probe(601)}, now}, 0};
    CHECK(image.seen_register_of(1, 168) == 1);
    CHECK(image.seen_register_of(255, 168) == 1);
    CHECK(image.seen_register_of(1, 368) == 3);
    CHECK(image.seen_register_of(2, 168) == 601);
    for (auto const address : std::vector<std::uint16_t>{0, 68, 100, 167, 169, 268, 468, 65'535}) {
        CAPTURE(address);
        CHECK_FALSE(image.seen_register_of(1, address));
    }
    CHECK_FALSE(image.seen_register_of(first_site_unit, 168));
    CHECK_FALSE(image.seen_register_of(9, 168));
}

TEST_CASE("the packed units hold the first forty registers of each block, and the same bits",
          "[scada][layout]") {
    auto far = probe(601, "far");
    far.t90_s = 41.5;
    Image const image{{{{1, "a", 2, 1}}, {probe(1), probe(3), far}, now}, 77};
    for (std::uint8_t const unit : std::vector<std::uint8_t>{1, 2}) {
        auto const whole = image.registers(unit);
        auto const packed = image.registers(static_cast<std::uint8_t>(unit + first_packed_unit - 1));
        REQUIRE(packed.size() == whole.size() / block_registers * packed_registers);
        for (std::size_t i = 0; i < packed.size(); ++i) {
            CHECK(packed[i] == whole[i / packed_registers * block_registers + i % packed_registers]);
        }
    }
    CHECK(float_at(image.registers(first_packed_unit + 1), packed_registers + 26) == 41.5F);
    CHECK(image.bits(first_packed_unit).size() == image.bits(1).size());
    CHECK(image.registers(first_packed_unit + 2).empty());
    CHECK_FALSE(image.seen_register_of(first_packed_unit, 168));
}

}  // namespace
}  // namespace probekeeper::scada

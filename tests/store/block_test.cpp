// The dense forms of readings: what comes back is what was given, and how little room it takes.
#include "store/block.h"

#include <array>
#include <cmath>
#include <limits>
#include <random>

#include "intake/complete.h"
#include "store/columns.h"
#include "store/compression.h"
#include "store/derived.h"
#include "store/group.h"
#include "store/support.h"

using namespace probekeeper;
using namespace probekeeper::store;
using namespace probekeeper::store::test;

namespace {

std::vector<double> through_a_column(std::vector<double> const& values, bool with_noise) {
    Bytes bytes;
    ByteWriter out{bytes};
    NoiseWriter noise;
    write_reals(out, values, with_noise ? &noise : nullptr);
    std::vector<double> back(values.size(), 1.0);
    ByteReader in{bytes};
    NoiseReader noise_back{noise.bytes()};
    read_reals(in, back, with_noise ? &noise_back : nullptr);
    CHECK(in.empty());
    return back;
}

bool same_bits(double a, double b) {
    return std::bit_cast<std::uint64_t>(a) == std::bit_cast<std::uint64_t>(b) ||
           (std::isnan(a) && std::isnan(b));
}

void check_column(std::vector<double> const& values) {
    for (bool const with_noise : {false, true}) {
        auto const back = through_a_column(values, with_noise);
        CHECK(std::equal(values.begin(), values.end(), back.begin(), same_bits));
    }
}

// A probe on a 16-bit map, hundredths of mg/L and of a degree, polled every 5 s with a millisecond of jitter.
std::vector<Reading> readings_of_registers(std::size_t n, WaterOfProbe const& water, std::uint32_t seed) {
    std::mt19937 random{seed};
    std::normal_distribution<double> noise;
    std::vector<Reading> readings;
    Deriver deriver{water};
    for (std::size_t i = 0; i < n; ++i) {
        Reading r;
        r.time = day_one + Millis{static_cast<std::int64_t>(5000 * i) + std::lround(std::abs(noise(random)))};
        auto const day = static_cast<double>(i) / 17280.0 * 6.2831853;
        r.do_mg_l =
            static_cast<double>(std::lround(750.0 + 100.0 * std::sin(day) + 1.0 * noise(random))) * 0.01;
        r.temperature_c =
            static_cast<double>(std::lround(1450.0 + 50.0 * std::cos(day) + 0.5 * noise(random))) * 0.01;
        r.do_percent = deriver.percent_from_mg_l(r);
        r.set(mark_aeration, (i / 360) % 2 == 0);
        readings.push_back(r);
    }
    return readings;
}

std::vector<Reading> through_a_block(std::vector<Reading> const& readings, WaterOfProbe const& water) {
    std::vector<Reading> back;
    read_block(make_block(readings, water).data, Timestamp::min(), Timestamp::max(), back);
    return back;
}

bool same_all(std::vector<Reading> const& a, std::vector<Reading> const& b) {
    return a.size() == b.size() &&
           std::equal(a.begin(), a.end(), b.begin(), [](auto const& x, auto const& y) { return same(x, y); });
}

}  // namespace

TEST_CASE("a column of any values comes back bit for bit", "[store][block]") {
    auto const inf = std::numeric_limits<double>::infinity();
    check_column({});
    check_column({7.41});
    check_column({not_read, not_read});
    check_column({7.41, 7.42, not_read, 7.40, not_read, not_read, 7.5});
    check_column({not_read, 1.0, 2.0});
    check_column({0.0, -0.0, 1.0});
    check_column({1e300, -1e300, inf, -inf, 5e-324, 0.1});
    check_column({6553.5, 0.1 * 3, 0.3});              // of registers and of text in one column
    check_column({-4.5e42, 2.1219957894830754e-314});  // one is nothing beside the other, and yet is there
    auto const seed = std::random_device{}();
    CAPTURE(seed);
    std::mt19937_64 random{seed};
    std::vector<double> bits, singles, registers, cells;
    for (int i = 0; i < 3000; ++i) {
        bits.push_back(std::bit_cast<double>(random()));
        singles.push_back(static_cast<double>(std::bit_cast<float>(static_cast<std::uint32_t>(random()))));
        registers.push_back(static_cast<double>(static_cast<std::int64_t>(random() % 65536) - 32768) * 0.01);
        cells.push_back(static_cast<double>(random() % 100'000) / 1000.0);
    }
    check_column(bits);
    check_column(singles);
    check_column(registers);
    check_column(cells);
}

double bytes_a_value(std::vector<double> const& values) {
    Bytes bytes;
    ByteWriter out{bytes};
    NoiseWriter noise;
    write_reals(out, values, &noise);
    return static_cast<double>(compressed(noise.bytes(), bytes).size()) / static_cast<double>(values.size());
}

// What a float register may hold: any bits, and what devices make of their readings.
std::vector<double> floats_of_a_kind(int kind, std::mt19937& random) {
    auto const inf = std::numeric_limits<float>::infinity();
    std::array const odd{0.0F,
                         -0.0F,
                         inf,
                         -inf,
                         std::numeric_limits<float>::denorm_min(),
                         -1e-40F,
                         std::numeric_limits<float>::max(),
                         std::bit_cast<float>(0x7FC01234U)};  // a payload
    std::normal_distribution<float> noise;
    auto const scale = std::ldexp(1.0F, static_cast<int>(random() % 60) - 30);
    auto const decimals = std::array{1.0F, 10.0F, 100.0F, 1000.0F, 10000.0F}[random() % 5];
    std::vector<double> values;
    for (std::size_t i = 0, n = 1 + random() % 700; i < n; ++i) {
        float const near = 8.0F + 0.02F * noise(random);
        float const v = kind == 0   ? std::bit_cast<float>(static_cast<std::uint32_t>(random()))
                        : kind == 1 ? near
                        : kind == 2 ? std::round(near * decimals) / decimals
                        : kind == 3 ? std::round(near * decimals) * (1.0F / decimals)
                        : kind == 4 ? std::round(near * 4096.0F) * scale
                        : kind == 5 ? std::round(1e9F * noise(random)) * 1e-5F
                        : kind == 6 ? std::round(near * 5000.0F) * 0.0002187F - 3.1F
                                    : odd[random() % odd.size()];
        values.push_back(random() % 50 == 0 ? double{odd[random() % odd.size()]} : double{v});
    }
    if (random() % 2 == 0) {  // and undisturbed
        std::erase_if(values, [&](double v) { return !std::isnormal(v); });
    }
    return values;
}

TEST_CASE("any floats come back bit for bit: rounded, scaled, noise, -0, infinities, denormals",
          "[store][block]") {
    auto const seed = std::random_device{}();
    CAPTURE(seed);
    std::mt19937 random{seed};
    for (int i = 0; i < 400; ++i) {
        CAPTURE(i);
        check_column(floats_of_a_kind(i % 8, random));
    }
}

TEST_CASE("a converter's counts come back bit for bit whatever they are scaled by, and take what counts take",
          "[store][block]") {
    auto const seed = std::random_device{}();
    CAPTURE(seed);
    std::mt19937 random{seed};
    std::normal_distribution<double> normal;
    std::uniform_real_distribution<double> any{0.7, 1.4};
    for (int i = 0; i < 40; ++i) {
        double const scale = any(random) * 20.0 / 65535.0, offset = i % 3 == 0 ? 0.0 : any(random);
        std::vector<double> doubles, floats;
        for (int k = 0; k < 1500; ++k) {
            double const v =
                static_cast<double>(std::lround(24'000.0 + 50.0 * normal(random))) * scale + offset;
            doubles.push_back(v);
            floats.push_back(double{static_cast<float>(v)});
        }
        CAPTURE(scale, offset);
        check_column(doubles);
        check_column(floats);
        CHECK(bytes_a_value(doubles) < 1.5);
        CHECK(bytes_a_value(floats) < 1.4);
    }
}

TEST_CASE("floats take what a device's resolution takes, and of noise no more than its bits",
          "[store][block]") {
    std::mt19937 random{5};
    std::normal_distribution<double> normal;
    std::vector<double> to_thousandths, by_a_step, of_a_converter, noise;
    for (int i = 0; i < 1536; ++i) {
        double const v = 7.5 + 0.015 * normal(random);
        auto const thousandths = static_cast<float>(std::lround(1000.0 * v));
        to_thousandths.push_back(double{thousandths / 1000.0F});
        by_a_step.push_back(double{thousandths * 0.001F});
        of_a_converter.push_back(static_cast<double>(std::lround(v * 1024.0)) / 1024.0);
        noise.push_back(double{static_cast<float>(v)});
    }
    double const entropy = std::log2(0.015 * 4.1327 / 0x1p-21) / 8.0;  // in steps of a float between 4 and 8
    CHECK(bytes_a_value(to_thousandths) < 0.9);
    CHECK(bytes_a_value(by_a_step) < 0.9);
    CHECK(bytes_a_value(of_a_converter) < 0.9);
    CHECK(bytes_a_value(noise) < 1.05 * entropy);
}

TEST_CASE("noise of any width comes back", "[store][block]") {
    auto const seed = std::random_device{}();
    CAPTURE(seed);
    std::mt19937_64 random{seed};
    for (int bits = 1; bits < 64; ++bits) {
        std::vector<std::int64_t> given;
        for (int i = 0; i < 300; ++i) {
            given.push_back(static_cast<std::int64_t>(random()) >> (64 - bits));
        }
        auto work = given;
        Bytes bytes;
        ByteWriter out{bytes};
        NoiseWriter noise;
        write_integers(out, work, &noise);
        CHECK(bytes.size() + noise.bytes().size() < 300U * (static_cast<std::size_t>(bits) + 7) / 8 + 320);
        std::vector<std::int64_t> back(given.size());
        ByteReader in{bytes};
        NoiseReader noise_back{noise.bytes()};
        read_integers(in, back, &noise_back);
        CHECK(back == given);
    }
}

TEST_CASE("integers come back also where their differences overflow", "[store][block]") {
    auto const least = std::numeric_limits<std::int64_t>::min(),
               most = std::numeric_limits<std::int64_t>::max();
    std::vector<std::int64_t> const given{least, most, 0, most, least, most, most, least, -1, 1};
    for (bool const with_noise : {false, true}) {
        auto work = given;
        Bytes bytes;
        ByteWriter out{bytes};
        NoiseWriter noise;
        write_integers(out, work, with_noise ? &noise : nullptr);
        std::vector<std::int64_t> back(given.size());
        ByteReader in{bytes};
        NoiseReader noise_back{noise.bytes()};
        read_integers(in, back, with_noise ? &noise_back : nullptr);
        CHECK(back == given);
    }
}

TEST_CASE("a block gives its readings back bit for bit, whatever was measured and whatever follows from it",
          "[store][block]") {
    WaterOfProbe const water{31.0, 1009.5};
    auto readings = readings_of_registers(2048, water, 7);
    CHECK(same_all(through_a_block(readings, water), readings));
    CHECK(same_all(through_a_block(readings, {0.0, 1000.0}),
                   readings));  // another water: then it is kept as given
    Deriver deriver{water};
    for (auto& r : readings) {  // measured in %
        r.do_percent = r.do_mg_l * 10.0;
        r.do_mg_l = deriver.mg_l_from_percent(r);
    }
    CHECK(same_all(through_a_block(readings, water), readings));
    for (auto& r : readings) {  // measured in hPa, without a temperature now and then
        r.po2_hpa = std::round(r.do_percent);
        r.temperature_c = r.has(mark_aeration) ? r.temperature_c : not_read;
        r.do_percent = deriver.percent_from_po2(r);
        r.do_mg_l = deriver.mg_l_from_percent(r);
    }
    CHECK(same_all(through_a_block(readings, water), readings));
    readings.resize(1);
    CHECK(same_all(through_a_block(readings, water), readings));
}

// Blocks that exist hold only the one and are read through these: they must give the same for ever.
TEST_CASE("what a block leaves out is worked out today as on the day it was written", "[store][block]") {
    Deriver deriver{{31.0, 1009.5}};
    Reading r;
    r.do_mg_l = 7.41;
    r.do_percent = 96.2;
    r.po2_hpa = 200.0;
    r.temperature_c = 14.2;
    CHECK(same_bits(deriver.percent_from_mg_l(r), 0x1.5f2230ab5d6abp+6));
    CHECK(same_bits(deriver.percent_from_po2(r), 0x1.8081e79bd691dp+6));
    CHECK(same_bits(deriver.mg_l_from_percent(r), 0x1.03dadaf09824p+3));
    // As readings are completed on their way here; if that changes, blocks only grow.
    Reading measured;
    measured.do_mg_l = 7.41;
    measured.temperature_c = 14.2;
    intake::complete(measured, {31.0, 1009.5, {}});
    CHECK(same_bits(deriver.percent_from_mg_l(r), measured.do_percent));
    r.temperature_c = not_read;
    CHECK_FALSE(is_read(deriver.percent_from_mg_l(r)));
}

TEST_CASE("a block of the first form is read as on the day it was written", "[store][block]") {
    // 4 readings: 7.5, 7.25, not read and 7.0 mg/L every 5 s.
    Bytes plain;
    ByteWriter out{plain};
    out.byte(1);
    out.number(4);
    out.signed_number(to_unix_ms(day_one));
    out.signed_number(5000);
    for (int column = 0; column < 2; ++column) {  // which beat, and how far off: told by the last, no planes
        out.byte(0);
        out.byte(0);
    }
    for (int column = 0; column < 2; ++column) {  // known and marks: a run of four
        out.number(0);
        out.number(4);
    }
    out.fixed(31.0);
    out.fixed(1009.5);
    for (int quantity = 0; quantity < 7; ++quantity) {
        out.byte(0);
        if (quantity == 0) {
            for (auto const n : {3, 2, 1, 1}) {  // three runs, of read and not read in turn
                out.number(static_cast<std::uint64_t>(n));
            }
            out.byte(2);  // times
            out.fixed(0.25);
            for (int const n : {0, 1, 60, 1, 1}) {  // told by the last, one plane: 30, 29, 28
                out.byte(static_cast<std::uint8_t>(n));
            }
        } else {
            for (auto const n : {2, 0, 4, 0}) {  // none read
                out.number(static_cast<std::uint64_t>(n));
            }
        }
    }
    std::vector<Reading> back;
    read_block(compressed(plain), Timestamp::min(), Timestamp::max(), back);
    REQUIRE(back.size() == 4);
    CHECK(back[0].do_mg_l == 7.5);
    CHECK(back[1].do_mg_l == 7.25);
    CHECK_FALSE(is_read(back[2].do_mg_l));
    CHECK(back[3].do_mg_l == 7.0);
    CHECK(back[3].time == day_one + seconds(15));
}

TEST_CASE("of slow polls no hours are kept, for they would take more room than the readings",
          "[store][block]") {
    std::vector<Reading> quick, slow;
    for (int i = 0; i < 1000; ++i) {
        quick.push_back(reading_at(day_one + seconds(5 * i), 7.0 + 0.01 * (i % 9)));
        slow.push_back(reading_at(day_one + seconds(60 * i), 7.0 + 0.01 * (i % 9)));
    }
    CHECK(read_hours(make_block(quick, {}).hours).size() == 2);
    CHECK(make_block(slow, {}).hours.empty());
}

TEST_CASE("a reading of a 16-bit map takes at most 1.5 bytes in a block", "[store][block]") {
    WaterOfProbe const water{31.0, 1009.5};
    auto const readings = readings_of_registers(2048, water, 11);
    auto const block = make_block(readings, water);
    auto const bytes = static_cast<double>(block.data.size() + block.hours.size()) / 2048.0;
    CAPTURE(block.data.size(), block.hours.size());
    CHECK(bytes <= 1.5);  // two values, and the time
}

TEST_CASE("a damaged block is refused, and never read beyond", "[store][block]") {
    auto const readings = readings_of_registers(200, {}, 3);
    auto const whole = make_block(readings, {}).data;
    auto const plain = decompressed(whole);
    std::vector<Reading> back;
    for (std::size_t cut = 0; cut < plain.size(); cut += 7) {
        auto const cut_short = compressed(std::span{plain}.first(cut));
        CHECK_THROWS_AS(read_block(cut_short, Timestamp::min(), Timestamp::max(), back), Failed);
    }
    for (std::size_t size = 0; size < whole.size(); size += 5) {
        CHECK_THROWS_AS(read_block(std::span{whole}.first(size), Timestamp::min(), Timestamp::max(), back),
                        Failed);
    }
}

TEST_CASE("a block with any byte changed is refused or read, and never more than it can hold",
          "[store][block]") {
    auto const readings = readings_of_registers(200, {}, 3);
    auto const plain = decompressed(make_block(readings, {}).data);
    for (std::size_t at = 0; at < plain.size(); ++at) {
        for (int const flipped : {0x01, 0x80, 0xFF}) {
            auto damaged = plain;
            damaged[at] ^= static_cast<std::byte>(flipped);
            std::vector<Reading> back;
            try {
                read_block(compressed(damaged), Timestamp::min(), Timestamp::max(), back);
            } catch (Failed const& refused) {
                CHECK((refused.fault() == Fault::corrupt || refused.fault() == Fault::newer));
            }
            CHECK(back.size() <= block_largest);
        }
    }
}

TEST_CASE("times that run backwards are damage, for readings are looked up by them", "[store][block]") {
    Bytes plain;
    ByteWriter out{plain};
    constexpr std::uint8_t form = 1;
    constexpr std::int64_t first_ms = 1'772'323'200'000;
    out.byte(form);
    out.number(2);
    out.signed_number(first_ms);
    out.signed_number(-5000);  // the beat
    plain.resize(plain.size() + 4);
    std::vector<Reading> back;
    CHECK_THROWS_WITH(read_block(compressed(plain), Timestamp::min(), Timestamp::max(), back),
                      Catch::Contains("damaged"));
}

TEST_CASE("a count of readings that nobody can have taken is damage", "[store][block]") {
    Summary summary;
    summary.count = most_counted;
    Bytes bytes;
    ByteWriter out{bytes};
    write_summary(out, summary);
    CHECK(read_hours(bytes).front().count == most_counted);
    summary.count += 1;
    bytes.clear();
    write_summary(out, summary);
    CHECK_THROWS_WITH(read_hours(bytes), Catch::Contains("damaged"));
}

TEST_CASE("a group gives back each probe's readings in the order given", "[store][block]") {
    std::vector<ProbeReading> given;
    for (auto const key : {3, 7, 900}) {
        for (int i = 0; i < 4; ++i) {
            auto r = reading_at(day_one + seconds(key - 10 * i), i == 2 ? not_read : i);
            r.set(mark_hold, i > 1);
            given.push_back({ProbeKey{key}, r});
        }
    }
    std::vector<ProbeReading const*> order;
    for (auto const& r : given) {
        order.push_back(&r);
    }
    auto const group = make_group(order);
    std::vector<Reading> of_seven;
    read_group(group, ProbeKey{7}, Timestamp::min(), Timestamp::max(), of_seven);
    REQUIRE(of_seven.size() == 4);
    for (std::size_t i = 0; i < 4; ++i) {
        CHECK(same(of_seven[i], given[4 + i].reading));
    }
    std::vector<Reading> none;
    read_group(group, ProbeKey{8}, Timestamp::min(), Timestamp::max(), none);
    CHECK(none.empty());
    std::size_t seen = 0;
    for_each_in_group(group, [&](ProbeKey, std::span<Reading const> readings) { seen += readings.size(); });
    CHECK(seen == given.size());
}

TEST_CASE("readings that come late find their place between blocks, once each", "[store][block]") {
    Folder const folder;
    auto const seed = std::random_device{}();
    CAPTURE(seed);
    std::mt19937 random{seed};
    auto store = std::optional{Store::open(folder / "s.db").value()};
    auto const keys = store->enrol(store::test::fleet, day_one).value();
    std::vector<Reading> expected = readings_of_registers(9000, {}, 5);
    auto shuffled = expected;
    std::shuffle(shuffled.begin(), shuffled.end(), random);
    std::size_t written = 0, repeats = 0;
    for (std::size_t at = 0; at < shuffled.size(); at += 500) {
        std::vector<ProbeReading> batch;
        for (std::size_t i = at; i < at + 500; ++i) {
            batch.push_back({keys[0], shuffled[i]});
        }
        batch.push_back({keys[0], shuffled[random() % (at + 500)]});  // a repeat
        auto const done = store->append(batch).value();
        written += done.written;
        repeats += done.repeats;
        if ((at / 500) % 3 == 1) {
            REQUIRE(store->compact().has_value());
        }
    }
    CHECK(written == expected.size());
    CHECK(repeats == 18);
    auto reader = Reader::open(folder / "s.db").value();
    auto const check = [&] {
        std::vector<Reading> found;
        auto stream = reader.stream({"a-1"}, day_one, day_one + days(1)).value();
        while (auto const item = stream.next().value()) {
            found.push_back(item->reading);
        }
        CHECK(same_all(found, expected));
        CHECK(same(*reader.newest_reading("a-1").value(), expected.back()));
    };
    check();
    store.reset();
    store.emplace(Store::open(folder / "s.db").value());
    check();
    CHECK(store->newest() == expected.back().time);
}

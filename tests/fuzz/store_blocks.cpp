// What lies in the store as bytes of ours: groups, blocks, their hours, minutes. Damaged ones are refused;
// what was written comes back bit for bit.
#include <bit>
#include <set>

#include "fuzz/fuzz.h"
#include "store/block.h"
#include "store/compression.h"
#include "store/group.h"
#include "store/minutes.h"
#include "store/sqlite.h"

using namespace probekeeper;
using namespace probekeeper::store;

namespace {

constexpr Timestamp earliest = from_unix_ms(-62'167'219'200'000);  // years 0000 to 9999, as times are read
constexpr Timestamp latest = from_unix_ms(253'402'300'799'999);

bool same(double a, double b) {
    return std::bit_cast<std::uint64_t>(a) == std::bit_cast<std::uint64_t>(b) || (!is_read(a) && !is_read(b));
}

bool same(Reading const& a, Reading const& b) {
    return a.time == b.time && same(a.do_mg_l, b.do_mg_l) && same(a.do_percent, b.do_percent) &&
           same(a.po2_hpa, b.po2_hpa) && same(a.temperature_c, b.temperature_c) &&
           same(a.salinity_psu, b.salinity_psu) && same(a.pressure_hpa, b.pressure_hpa) &&
           same(a.airflow, b.airflow) && a.known == b.known && a.marks == b.marks;
}

double value_of(FuzzedDataProvider& input) {
    switch (input.ConsumeIntegralInRange(0, 5)) {
        case 0:
            return not_read;
        case 1:
            return input.ConsumeIntegral<std::int16_t>() * 0.01;
        case 2:
            return static_cast<double>(std::bit_cast<float>(input.ConsumeIntegral<std::uint32_t>()));
        case 3:
            return std::bit_cast<double>(input.ConsumeIntegral<std::uint64_t>());
        case 4:
            return double{input.ConsumeIntegral<std::int16_t>() * 0.001F};
        default:
            return 10.5;
    }
}

std::vector<Reading> readings_of(FuzzedDataProvider& input) {
    std::vector<Reading> readings;
    auto ms = input.ConsumeIntegralInRange(to_unix_ms(earliest), to_unix_ms(latest));
    while (input.remaining_bytes() > 0 && ms <= to_unix_ms(latest) && readings.size() < block_most) {
        Reading r;
        r.time = from_unix_ms(ms);
        for (auto Reading::*value : {&Reading::do_mg_l, &Reading::do_percent, &Reading::temperature_c}) {
            r.*value = value_of(input);
        }
        if (input.ConsumeBool()) {
            for (auto Reading::*value :
                 {&Reading::po2_hpa, &Reading::salinity_psu, &Reading::pressure_hpa, &Reading::airflow}) {
                r.*value = value_of(input);
            }
            r.known = input.ConsumeIntegral<std::uint16_t>();
            r.marks = input.ConsumeIntegral<std::uint16_t>();
        }
        readings.push_back(r);
        ms += input.ConsumeBool() ? 5000 : input.ConsumeIntegralInRange<std::int64_t>(1, to_unix_ms(latest));
    }
    return readings;
}

void write_and_read(FuzzedDataProvider& input) {
    WaterOfProbe const water{input.ConsumeFloatingPointInRange(0.0, 50.0),
                             input.ConsumeFloatingPointInRange(500.0, 1100.0)};
    auto const readings = readings_of(input);
    if (readings.empty()) {
        return;
    }
    auto const block = make_block(readings, water);
    std::vector<Reading> back;
    read_block(block.data, readings.front().time, latest + Millis{1}, back);
    fuzz::require(std::equal(readings.begin(), readings.end(), back.begin(), back.end(),
                             [](Reading const& a, Reading const& b) { return same(a, b); }),
                  "a block gives back what was written");
    if (!block.hours.empty()) {
        std::int64_t count = 0;
        for (auto const& hour_of : read_hours(block.hours)) {
            count += hour_of.count;
        }
        fuzz::require(count == static_cast<std::int64_t>(readings.size()),
                      "every reading counts in one hour");
    }

    std::vector<ProbeReading> given;
    std::vector<ProbeReading const*> pointers;
    for (auto const& r : readings) {
        given.push_back({ProbeKey{7}, r});
    }
    for (auto const& one : given) {
        pointers.push_back(&one);
    }
    back.clear();
    read_group(make_group(pointers), ProbeKey{7}, earliest, latest + Millis{1}, back);
    fuzz::require(std::equal(readings.begin(), readings.end(), back.begin(), back.end(),
                             [](Reading const& a, Reading const& b) { return same(a, b); }),
                  "a group gives back what was written");
}

void read_any(int kind, std::span<std::byte const> bytes) {
    std::vector<Reading> readings;
    switch (kind) {
        case 0:
            return read_block(bytes, earliest, latest, readings);
        case 1:
            return read_block(compressed(bytes), earliest, latest, readings);
        case 2:
            read_group(bytes, ProbeKey{1}, earliest, latest, readings);
            return for_each_in_group(bytes, [](ProbeKey, std::span<Reading const>) {});
        case 3: {
            Summary all;
            for (auto const& part : read_hours(bytes)) {
                all.add(part);
            }
            return static_cast<void>(all.step());
        }
        case 4:
            return static_cast<void>(read_minutes(bytes));
        default:
            return static_cast<void>(read_minutes(compressed(bytes)));
    }
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(std::uint8_t const* data, std::size_t size) {
    FuzzedDataProvider input{data, size};
    constexpr int kinds = 6;
    // From the front, so that a dictionary of heads can be given; the rest is bytes as they are.
    int const kind = size == 0 ? 0 : data[0] % (kinds + 1);
    if (kind == kinds) {
        write_and_read(input);
        return 0;
    }
    try {
        read_any(kind, std::as_bytes(std::span{data, size}.subspan(std::min<std::size_t>(size, 1))));
    } catch (Failed const&) {  // refused as damaged, or as of a newer version
    }
    return 0;
}

// How fast the store takes and gives readings. The bounds are an order of magnitude below what a plain
// machine does, so that only a real mistake (a full scan, a commit a row) breaks them; the figures are
// printed.
#include <chrono>
#include <random>

#include "store/support.h"

using namespace probekeeper;
using namespace probekeeper::store;
using namespace probekeeper::store::test;

namespace {

double rate(std::size_t things, std::clock_t since) {
    return static_cast<double>(things) * CLOCKS_PER_SEC / static_cast<double>(std::clock() - since);
}

}  // namespace

TEST_CASE("a bulk load and a stream of 100 probes keep pace", "[store][rate]") {
    Folder const folder;
    std::vector<FleetProbe> many;
    std::vector<std::string> ids;
    for (int i = 0; i < 100; ++i) {
        ids.push_back(fmt::format("p-{}", 100 + i));
        many.push_back({ids.back(), "a"});
    }
    auto store = std::optional{Store::open(folder / "s.db", Store::Options::for_bulk()).value()};
    auto const keys = store->enrol(many, day_one).value();
    constexpr std::size_t rounds = 6000;
    constexpr std::size_t total = rounds * 100;
    auto began = std::clock();
    std::vector<ProbeReading> batch;
    for (std::size_t i = 0; i < rounds; ++i) {
        for (std::size_t p = 0; p < keys.size(); ++p) {
            auto r = reading_at(day_one + Millis{static_cast<std::int64_t>(5000 * i + p)},
                                7.0 + 0.01 * static_cast<double>((i * p) % 97));
            r.do_percent = r.do_mg_l * 12.3;
            r.temperature_c = 14.2;
            batch.push_back({keys[p], r});
        }
        if (batch.size() == 50'000) {
            REQUIRE(store->append(batch).value().written == batch.size());
            batch.clear();
        }
    }
    auto const written = rate(total, began);
    auto reader = Reader::open(folder / "s.db").value();
    began = std::clock();
    auto stream = reader.stream(ids, day_one, day_one + days(1)).value();
    std::size_t streamed = 0;
    while (stream.next().value()) {
        ++streamed;
    }
    auto const read = rate(streamed, began);
    CHECK(streamed == total);
    began = std::clock();
    auto const hours = reader.steps(ids[0], day_one, day_one + days(1), seconds(3600), first(100)).value();
    auto const stepped = rate(rounds, began);
    CHECK(hours.items.size() == 9);
    WARN("readings a processor second: " << static_cast<int>(written) << " written, "
                                         << static_cast<int>(read) << " streamed, "
                                         << static_cast<int>(stepped) << " in hourly steps");
    CHECK(written > 2'000);
    CHECK(read > 2'000);
}

namespace {

// Bytes of a file a value, of oxygen and temperature of 20 probes with a probe's noise, as `measured` gives
// them.
template <typename Measured>
double bytes_a_value(std::size_t rounds, Measured measured) {
    Folder const folder;
    constexpr std::size_t probes = 20;
    std::vector<FleetProbe> many;
    for (std::size_t i = 0; i < probes; ++i) {
        many.push_back({fmt::format("p-{}", 100 + i), "a"});
    }
    auto store = std::optional{Store::open(folder / "s.db", Store::Options::for_bulk()).value()};
    auto const keys = store->enrol(many, day_one).value();
    std::mt19937 random{1};
    std::normal_distribution<double> noise;
    std::vector<ProbeReading> batch;
    for (std::size_t i = 0; i < rounds; ++i) {
        for (auto const key : keys) {
            auto r = reading_at(
                day_one + Millis{5000 * static_cast<std::int64_t>(i) + std::lround(std::abs(noise(random)))},
                measured(7.5 + 0.015 * noise(random)));
            r.temperature_c = measured(14.5 + 0.004 * noise(random));
            batch.push_back({key, r});
        }
        if (batch.size() >= 5000) {
            REQUIRE(store->append(batch).value().written == batch.size());
            batch.clear();
        }
    }
    REQUIRE(store->append(batch).has_value());
    REQUIRE(store->compact().has_value());
    store.reset();
    auto const a_value = static_cast<double>(std::filesystem::file_size(folder / "s.db")) /
                         static_cast<double>(2 * probes * rounds);
    WARN("bytes a value: " << a_value);
    return a_value;
}

}  // namespace

TEST_CASE(
    "few pages of a file are empty or half empty: a value of a register takes less than a byte in a small "
    "one",
    "[store][rate]") {
    CHECK(bytes_a_value(40'000, [](double v) { return static_cast<double>(std::lround(v * 100.0)) * 0.01; }) <
          1.0);
}

TEST_CASE("a float of noise takes little more of a small file than its noise, 2 bytes", "[store][rate]") {
    CHECK(bytes_a_value(40'000, [](double v) { return double{static_cast<float>(v)}; }) < 2.7);
}

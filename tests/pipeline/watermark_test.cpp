#include "pipeline/watermark.h"

#include <catch2/catch.hpp>
#include <random>
#include <tuple>

namespace probekeeper::pipeline {
namespace {

struct Arrival {
    Timestamp at{};  // when it comes in
    Watermark::Item item;
};

Reading at_ms(std::int64_t ms) {
    Reading r;
    r.time = from_unix_ms(ms);
    return r;
}

using Key = std::pair<std::int64_t, fleet::ProbeIndex>;
Key key_of(Watermark::Item const& item) {
    return {to_unix_ms(item.reading.time), item.probe};
}

}  // namespace

TEST_CASE("readings that arrive in any order within the delay are handed over sorted, none lost",
          "[pipeline][watermark]") {
    auto const seed = GENERATE(range(1U, 21U));
    CAPTURE(seed);
    std::mt19937_64 random{seed};
    std::vector<Arrival> arrivals;
    for (int second = 0; second < 600; ++second) {
        for (fleet::ProbeIndex probe = 0; probe < 4; ++probe) {
            auto const reading = at_ms(1'000'000 + 1000 * second);
            // Under the delay of ten seconds, often none at all.
            auto const late = Millis{random() % 3 == 0 ? 0 : static_cast<std::int64_t>(random() % 10'000)};
            arrivals.push_back({reading.time + late, {probe, reading}});
        }
    }
    std::shuffle(arrivals.begin(), arrivals.end(), random);
    std::stable_sort(arrivals.begin(), arrivals.end(),
                     [](auto const& a, auto const& b) { return a.at < b.at; });

    Watermark watermark{Millis{10'000}};
    std::vector<Key> handed;
    auto const take = [&](fleet::ProbeIndex probe, Reading const& r) {
        handed.push_back({to_unix_ms(r.time), probe});
    };
    for (auto const& arrival : arrivals) {
        REQUIRE(watermark.push(arrival.item.probe, arrival.item.reading));
        watermark.release(arrival.at, take);
    }
    CHECK(watermark.waiting() > 0);  // the newest still wait for others
    watermark.release(arrivals.back().at + Millis{10'000}, take);
    CHECK(watermark.waiting() == 0);

    std::vector<Key> sorted;
    for (auto const& arrival : arrivals) {
        sorted.push_back(key_of(arrival.item));
    }
    std::sort(sorted.begin(), sorted.end());
    CHECK(handed == sorted);
}

TEST_CASE("a reading behind the mark is refused, for what followed it has been handed over",
          "[pipeline][watermark]") {
    Watermark watermark{Millis{1000}};
    REQUIRE(watermark.push(0, at_ms(10'000)));
    int handed = 0;
    auto const take = [&](fleet::ProbeIndex, Reading const&) { ++handed; };
    watermark.release(from_unix_ms(10'999), take);
    CHECK(handed == 0);
    watermark.release(from_unix_ms(11'000), take);
    CHECK(handed == 1);
    CHECK(watermark.mark() == from_unix_ms(10'000));
    CHECK_FALSE(watermark.push(1, at_ms(9'999)));
    CHECK_FALSE(watermark.push(1, at_ms(10'000)));
    CHECK(watermark.push(1, at_ms(10'001)));
}

TEST_CASE("the mark never goes back, whatever the clock does", "[pipeline][watermark]") {
    Watermark watermark{Millis{1000}};
    auto const nothing = [](fleet::ProbeIndex, Reading const&) {};
    watermark.release(from_unix_ms(50'000), nothing);
    watermark.release(from_unix_ms(20'000), nothing);
    CHECK(watermark.mark() == from_unix_ms(49'000));
    CHECK_FALSE(watermark.push(0, at_ms(30'000)));
}

TEST_CASE("a mark that begins at a stored position takes nothing from before it again",
          "[pipeline][watermark]") {
    Watermark watermark{Millis{1000}};
    watermark.start_at(from_unix_ms(5000));
    CHECK_FALSE(watermark.push(0, at_ms(5000)));
    CHECK(watermark.push(0, at_ms(5001)));
}

}  // namespace probekeeper::pipeline

#include <map>
#include <random>

#include "store/support.h"

using namespace probekeeper;
using namespace probekeeper::store;
using namespace probekeeper::store::test;

namespace {

Reading random_reading(std::mt19937& random, Timestamp time) {
    std::uniform_real_distribution<double> value{-5.0, 500.0};
    std::bernoulli_distribution read{0.7};
    Reading r;
    r.time = time;
    for (auto* field : {&r.do_mg_l, &r.do_percent, &r.po2_hpa, &r.temperature_c, &r.salinity_psu,
                        &r.pressure_hpa, &r.airflow}) {
        *field = read(random) ? value(random) : not_read;
    }
    r.known = static_cast<std::uint16_t>(random() % 16);
    r.marks = static_cast<std::uint16_t>(random() % 64);
    return r;
}

}  // namespace

TEST_CASE("a reading comes back bit for bit, and what was not read stays not read", "[store][readings]") {
    Folder const folder;
    auto const seed = std::random_device{}();
    CAPTURE(seed);
    std::mt19937 random{seed};
    std::vector<Reading> given;
    for (int i = 0; i < 500; ++i) {
        given.push_back(random_reading(random, day_one + Millis{i * 777}));
    }
    {
        auto store = Store::open(folder / "s.db").value();
        auto const keys = store.enrol(fleet, day_one).value();
        std::vector<ProbeReading> batch;
        for (auto const& r : given) {
            batch.push_back({keys[1], r});
        }
        CHECK(store.append(batch).value().written == given.size());
    }
    auto reader = Reader::open(folder / "s.db").value();
    auto const page = reader.readings("a-2", day_one, day_one + days(1), first(1000)).value();
    REQUIRE(page.items.size() == given.size());
    CHECK(std::equal(given.begin(), given.end(), page.items.begin(),
                     [](auto const& a, auto const& b) { return same(a, b); }));
    CHECK_FALSE(page.next);
    CHECK(same(*reader.newest_reading("a-2").value(), given.back()));
    CHECK_FALSE(reader.newest_reading("a-1").value());
    auto const last = given.back().time;
    CHECK(reader.newest_before(last + Millis{1}).value() == last);
    CHECK(reader.newest_before(last + days(1)).value() == last);
    CHECK(reader.newest_before(last).value() == last);  // amid them
    CHECK_FALSE(reader.newest_before(given.front().time).value());
    CHECK(reader.readings("unheard-of", day_one, day_one + days(1), first(10)).value().items.empty());
}

TEST_CASE("a second reading of one probe and instant is ignored and counted", "[store][readings]") {
    Folder const folder;
    auto store = Store::open(folder / "s.db").value();
    auto const keys = store.enrol(fleet, day_one).value();
    std::vector<ProbeReading> const batch{{keys[0], reading_at(day_one, 7.0)},
                                          {keys[0], reading_at(day_one, 8.0)},
                                          {keys[1], reading_at(day_one, 9.0)}};
    auto const once = store.append(batch).value();
    CHECK(once.written == 2);
    CHECK(once.repeats == 1);
    CHECK(store.append(batch).value().repeats == 3);
    auto reader = Reader::open(folder / "s.db").value();
    CHECK(reader.newest_reading("a-1").value()->do_mg_l == 7.0);
    // Nor do repeats count twice in the summaries.
    auto const steps = reader.steps("a-1", day_one, day_one + days(1), seconds(60), first(10)).value();
    REQUIRE(steps.items.size() == 1);
    CHECK(steps.items[0].count == 1);
}

TEST_CASE("pages of readings join without gap or repeat", "[store][readings]") {
    Folder const folder;
    auto store = Store::open(folder / "s.db").value();
    auto const keys = store.enrol(fleet, day_one).value();
    std::vector<ProbeReading> batch;
    for (int i = 0; i < 25; ++i) {
        batch.push_back({keys[0], reading_at(day_one + Millis{1000 * i}, i)});
    }
    REQUIRE(store.append(batch).has_value());
    auto reader = Reader::open(folder / "s.db").value();
    std::vector<double> seen;
    PageRequest request = first(10);
    do {
        auto const page =
            reader.readings("a-1", day_one + Millis{1}, day_one + Millis{24'000}, request).value();
        for (auto const& r : page.items) {
            seen.push_back(r.do_mg_l);
        }
        request.after = page.next;
    } while (request.after);
    REQUIRE(seen.size() == 23);  // without the first, before `from`, and the last, at `until`
    CHECK(seen.front() == 1.0);
    CHECK(seen.back() == 23.0);
    CHECK(std::is_sorted(seen.begin(), seen.end()));

    request.after = "no position";
    CHECK(reader.readings("a-1", day_one, day_one + days(1), request).error().fault == Fault::bad_position);
    CHECK(reader.readings("a-1", day_one, day_one + days(1), first(0)).error().fault == Fault::bad_position);
    CHECK(reader.readings("a-1", day_one, day_one + days(1), first(10'001)).error().fault ==
          Fault::bad_position);
}

TEST_CASE("a stream gives all probes' readings in order of time, then of the probe's place",
          "[store][readings]") {
    Folder const folder;
    auto const seed = std::random_device{}();
    CAPTURE(seed);
    std::mt19937 random{seed};
    std::vector<FleetProbe> many;
    std::vector<std::string> ids;
    for (int i = 0; i < 7; ++i) {
        ids.push_back(fmt::format("p-{}", i));
        many.push_back({ids.back(), "a"});
    }
    auto store = Store::open(folder / "s.db").value();
    auto const keys = store.enrol(many, day_one).value();
    std::map<std::pair<Timestamp, std::size_t>, double> expected;
    std::vector<ProbeReading> batch;
    for (int i = 0; i < 30'000; ++i) {  // more than one chunk a probe
        auto const place = random() % 7;
        auto const time = day_one + Millis{100 * static_cast<int>(random() % 40'000)};
        batch.push_back({keys[place], reading_at(time, i)});
        expected.try_emplace({time, place}, i);
    }
    REQUIRE(store.append(batch).has_value());
    auto reader = Reader::open(folder / "s.db").value();

    auto const check_from = [&](auto begin, Timestamp from, std::optional<std::size_t> after) {
        auto stream = reader.stream(ids, from, day_one + days(1), after).value();
        std::size_t differing = 0;
        for (auto at = begin; at != expected.end(); ++at) {
            auto const item = stream.next().value();
            REQUIRE(item);
            differing += at->first != std::pair{item->reading.time, item->place} ||
                         at->second != item->reading.do_mg_l;
        }
        CHECK(differing == 0);
        CHECK_FALSE(stream.next().value());
    };
    check_from(expected.begin(), day_one, std::nullopt);
    auto const middle = std::next(expected.begin(), static_cast<std::ptrdiff_t>(expected.size() / 2));
    check_from(std::next(middle), middle->first.first, middle->first.second);
    check_from(middle, middle->first.first,
               middle->first.second == 0 ? std::nullopt : std::optional{middle->first.second - 1});
}

TEST_CASE("a probe keeps its key and its first day through removal and return", "[store][probes]") {
    Folder const folder;
    auto store = Store::open(folder / "s.db").value();
    auto const keys = store.enrol(fleet, day_one).value();
    auto reader = Reader::open(folder / "s.db").value();

    CHECK(store.enrol({fleet[2], fleet[0]}, day_one + days(1)).value() == std::vector{keys[2], keys[0]});
    CHECK(store.enrol({fleet[0]}, day_one + days(2)).value() == std::vector{keys[0]});
    auto probes = reader.probes().value();
    REQUIRE(probes.size() == 3);
    CHECK_FALSE(probes[0].removed_at);
    CHECK(probes[1].removed_at == day_one + days(1));  // not the day of the later reload
    CHECK(probes[2].removed_at == day_one + days(2));

    CHECK(store.enrol({{"a-2", "b"}, {"new", "b"}}, day_one + days(3)).value()[0] == keys[1]);
    probes = reader.probes().value();
    REQUIRE(probes.size() == 4);
    CHECK(probes[1].site == "b");
    CHECK(probes[1].first_seen == day_one);
    CHECK_FALSE(probes[1].removed_at);
    CHECK(probes[3].first_seen == day_one + days(3));
}

#include <map>
#include <random>

#include "store/support.h"

using namespace probekeeper;
using namespace probekeeper::store;
using namespace probekeeper::store::test;

namespace {

// What a step should say, from the readings alone.
std::map<Timestamp, Step> brute_force(std::map<Timestamp, Reading> const& readings, Millis step) {
    std::map<Timestamp, Step> steps;
    std::map<Timestamp, std::array<double, quantity_count>> sums;
    for (auto const& [time, r] : readings) {
        auto const start = from_unix_ms(to_unix_ms(time) / step.count() * step.count());
        auto& s = steps[start];
        s.start = start;
        ++s.count;
        s.marks = static_cast<std::uint16_t>(s.marks | r.marks);
        if ((r.marks & (mark_fault | mark_out_of_range)) != 0) {
            continue;
        }
        double const values[] = {r.do_mg_l,      r.do_percent,   r.temperature_c,
                                 r.salinity_psu, r.pressure_hpa, r.airflow};
        for (std::size_t i = 0; i < quantity_count; ++i) {
            if (is_read(values[i])) {
                auto& q = s.quantities[i];
                q.min = q.count == 0 ? values[i] : std::min(q.min, values[i]);
                q.max = q.count == 0 ? values[i] : std::max(q.max, values[i]);
                sums[start][i] += values[i];
                q.mean = sums[start][i] / static_cast<double>(++q.count);
            }
        }
    }
    return steps;
}

bool near(Step const& a, Step const& b) {
    bool alike = a.start == b.start && a.count == b.count && a.marks == b.marks;
    for (std::size_t i = 0; i < quantity_count; ++i) {
        auto const& p = a.quantities[i];
        auto const& q = b.quantities[i];
        alike = alike && p.count == q.count && same(p.min, q.min) && same(p.max, q.max) &&
                (same(p.mean, q.mean) || std::abs(p.mean - q.mean) < 1e-9);
    }
    return alike;
}

void check_all(Reader& reader, std::string const& probe, std::map<Timestamp, Reading> const& readings,
               Millis step) {
    CAPTURE(probe, step.count());
    auto const expected = brute_force(readings, step);
    auto at = expected.begin();
    PageRequest request = first(1000);
    do {
        auto const page = reader.steps(probe, day_one, day_one + days(2), step, request).value();
        for (auto const& s : page.items) {
            REQUIRE(at != expected.end());
            REQUIRE(near(s, at->second));
            ++at;
        }
        request.after = page.next;
    } while (request.after);
    CHECK(at == expected.end());
}

}  // namespace

TEST_CASE("steps equal the brute force over the readings, late ones, repeats and restarts included",
          "[store][minutes]") {
    Folder const folder;
    auto const seed = std::random_device{}();
    CAPTURE(seed);
    std::mt19937 random{seed};
    std::array<std::map<Timestamp, Reading>, 3> expected;
    auto store = std::optional{Store::open(folder / "s.db").value()};
    auto const keys = store->enrol(fleet, day_one).value();
    auto reader = Reader::open(folder / "s.db").value();
    for (int group = 0; group < 60; ++group) {
        std::vector<ProbeReading> batch;
        for (int i = 0; i < 50; ++i) {
            auto const place = random() % 3;
            auto const late = Millis{random() % 5 == 0 ? random() % 300'000 : 0};
            auto r = reading_at(day_one + seconds(400) + Millis{group * 40'000 + i * 800} - late,
                                static_cast<double>(random() % 2000) / 100.0);
            r.temperature_c = random() % 3 == 0 ? not_read : static_cast<double>(random() % 300) / 10.0;
            r.airflow = static_cast<double>(random() % 9);
            r.marks = random() % 10 == 0 ? static_cast<std::uint16_t>(random() % 64) : std::uint16_t{0};
            batch.push_back({keys[place], r});
            expected[place].try_emplace(r.time, r);
        }
        REQUIRE(store->append(batch).has_value());
        if (group % 7 == 3) {
            store.reset();
            store.emplace(Store::open(folder / "s.db").value());
        }
        if (group % 20 == 10) {  // while the newest minutes are still open
            check_all(reader, "a-1", expected[0], seconds(60));
        }
    }
    for (std::size_t place = 0; place < 3; ++place) {
        for (auto const step :
             {seconds(10), seconds(60), seconds(300), seconds(3600), seconds(90), seconds(86'400)}) {
            check_all(reader, fleet[place].id, expected[place], step);
        }
    }
}

TEST_CASE("a step range is widened to whole steps", "[store][minutes]") {
    Folder const folder;
    auto store = Store::open(folder / "s.db").value();
    auto const keys = store.enrol(fleet, day_one).value();
    std::vector<ProbeReading> batch;
    for (int i = 0; i < 600; ++i) {
        batch.push_back({keys[0], reading_at(day_one + seconds(i), i)});
    }
    REQUIRE(store.append(batch).has_value());
    auto reader = Reader::open(folder / "s.db").value();
    auto const page =
        reader.steps("a-1", day_one + seconds(119), day_one + seconds(181), seconds(60), first(100)).value();
    REQUIRE(page.items.size() == 3);
    CHECK(page.items.front().start == day_one + seconds(60));
    CHECK(page.items.back().start == day_one + seconds(180));
    CHECK(page.items.back().of(Quantity::do_mg_l).max == 239.0);
    CHECK(reader.steps("a-1", day_one, day_one, Millis{999}, first(1)).error().fault == Fault::bad_position);
    auto const everything =
        reader.steps("a-1", Timestamp::min(), Timestamp::max(), seconds(600), first(1)).value();
    REQUIRE(everything.items.size() == 1);
    CHECK(everything.items[0].count == 600);
}

TEST_CASE("what the device calls bad is counted in a step but not used in it", "[store][minutes]") {
    Folder const folder;
    auto store = Store::open(folder / "s.db").value();
    auto const keys = store.enrol(fleet, day_one).value();
    auto bad = reading_at(day_one + seconds(1), 6553.5);
    bad.set(mark_fault, true);
    std::vector<ProbeReading> const batch{{keys[0], reading_at(day_one, 7.5)}, {keys[0], bad}};
    REQUIRE(store.append(batch).has_value());
    auto reader = Reader::open(folder / "s.db").value();
    auto const step =
        reader.steps("a-1", day_one, day_one + seconds(60), seconds(60), first(1)).value().items.at(0);
    CHECK(step.count == 2);
    CHECK(step.marks == mark_fault);
    CHECK(step.of(Quantity::do_mg_l).count == 1);
    CHECK(step.of(Quantity::do_mg_l).max == 7.5);
}

TEST_CASE("retention counts back from the newest reading and leaves summaries and people's records",
          "[store][retention]") {
    Folder const folder;
    auto store = Store::open(folder / "s.db").value();
    auto const keys = store.enrol(fleet, day_one).value();
    std::vector<ProbeReading> batch;
    for (int minutes = 0; minutes < 10 * 1440; minutes += 5) {
        batch.push_back({keys[0], reading_at(day_one + seconds(60 * minutes), minutes)});
    }
    REQUIRE(store.append(batch).has_value());
    auto const newest = batch.back().reading.time;
    Changes changes;
    for (int day = 0; day < 10; ++day) {
        changes.tests.push_back({"a-1", {}});
        changes.tests.back().test.time = day_one + days(day);
        changes.diagnoses.push_back({"a-1", day_one + days(day), diagnosis::Condition::good, "{}"});
    }
    changes.diagnoses.push_back({"a-2", day_one, diagnosis::Condition::failure, "{}"});
    changes.tickets.push_back(full_ticket(1));
    changes.records.push_back(full_record(1, day_one));
    REQUIRE(store.keep(changes).has_value());

    Retention const retention{days(2), days(5)};
    int calls = 1;
    while (store.expire_some(retention, 100).value()) {
        ++calls;
    }
    CHECK(calls > 1);  // a block at a time

    auto reader = Reader::open(folder / "s.db").value();
    auto const readings = reader.readings("a-1", day_one, newest + days(1), first(1000)).value().items;
    REQUIRE(readings.size() == 577);
    CHECK(readings.front().time == newest - days(2));
    auto const steps =
        reader.steps("a-1", day_one, newest + days(1), seconds(3600), first(1000)).value().items;
    REQUIRE_FALSE(steps.empty());
    CHECK(steps.front().start == newest - days(5) - seconds(55 * 60));
    auto const tests = reader.response_tests("a-1", day_one, first(100)).value().items;
    REQUIRE(tests.size() == 5);
    CHECK(tests.front().time == day_one + days(5));
    CHECK(reader.diagnoses("a-1", day_one, newest, first(100)).value().items.size() == 5);
    CHECK(reader.diagnoses("a-2", day_one, newest, first(100)).value().items.empty());
    CHECK(reader.newest_diagnosis("a-2").value()->condition == diagnosis::Condition::failure);
    CHECK(reader.ticket("a-1").value());
    CHECK(reader.service_record(1).value());

    // What was deleted is not taken again: its minutes already count it.
    auto const again = store.append(batch).value();
    CHECK(again.expired == batch.size() - 577);
    CHECK(again.repeats == 577);
    CHECK(again.written == 0);
}

#include "store/support.h"

using namespace probekeeper;
using namespace probekeeper::store;
using namespace probekeeper::store::test;

namespace {

std::vector<std::byte> bytes(std::string const& text) {
    auto const* const data = reinterpret_cast<std::byte const*>(text.data());
    return {data, data + text.size()};
}

diagnosis::ResponseTest full_test(Timestamp time) {
    return {time,
            diagnosis::TestSource::aeration_off,
            diagnosis::ResponseModel::membrane,
            92.1,
            84.0,
            101.3,
            14.5,
            77.25,
            false,
            "the water moved"};
}

}  // namespace

TEST_CASE("response tests come back with every field, in order, in pages that join", "[store][tests]") {
    Folder const folder;
    auto store = Store::open(folder / "s.db").value();
    REQUIRE(store.enrol(fleet, day_one).has_value());
    Changes changes;
    changes.tests = {
        {"a-1", full_test(day_one + seconds(60))}, {"a-1", full_test(day_one)}, {"a-2", full_test(day_one)}};
    auto bare = full_test(day_one);
    bare.source = diagnosis::TestSource::neighbour;
    bare.model = diagnosis::ResponseModel::first_order;
    bare.at_temperature_c.reset();
    bare.used = true;
    bare.set_aside.clear();
    changes.tests.push_back({"a-1", bare});
    REQUIRE(store.keep(changes).has_value());
    REQUIRE(store.keep(changes).has_value());  // found again after a restart: still there once

    auto reader = Reader::open(folder / "s.db").value();
    std::vector<diagnosis::ResponseTest> found;
    PageRequest request = first(1);
    do {
        auto const page = reader.response_tests("a-1", day_one, request).value();
        found.insert(found.end(), page.items.begin(), page.items.end());
        request.after = page.next;
    } while (request.after);
    REQUIRE(found.size() == 3);
    auto const given = full_test(day_one);
    CHECK(found[0].time == given.time);
    CHECK(found[0].source == given.source);
    CHECK(found[0].model == given.model);
    CHECK(found[0].t90_s == given.t90_s);
    CHECK(found[0].low_s == given.low_s);
    CHECK(found[0].high_s == given.high_s);
    CHECK(found[0].at_temperature_c == given.at_temperature_c);
    CHECK(found[0].t90_20_s == given.t90_20_s);
    CHECK(found[0].used == given.used);
    CHECK(found[0].set_aside == given.set_aside);
    CHECK(found[1].source == diagnosis::TestSource::neighbour);
    CHECK(found[1].model == diagnosis::ResponseModel::first_order);
    CHECK_FALSE(found[1].at_temperature_c);
    CHECK(found[1].used);
    CHECK(found[2].time == day_one + seconds(60));
    CHECK(reader.response_tests("a-1", day_one + Millis{1}, first(10)).value().items.size() == 1);
}

TEST_CASE("the newest diagnosis is always there, and the history holds the changed ones",
          "[store][diagnoses]") {
    Folder const folder;
    auto store = Store::open(folder / "s.db").value();
    REQUIRE(store.enrol(fleet, day_one).has_value());
    Changes changes;
    changes.diagnoses = {{"a-1", day_one, diagnosis::Condition::good, "{\"n\":1}", true},
                         {"a-1", day_one + seconds(1), diagnosis::Condition::good, "{\"n\":2}", false},
                         {"a-1", day_one + seconds(2), diagnosis::Condition::failure, "{\"n\":3}", true},
                         {"a-1", day_one + seconds(3), diagnosis::Condition::failure, "{\"n\":4}", false},
                         {"b-1", day_one, diagnosis::Condition::unknown, "{}", false}};
    REQUIRE(store.keep(changes).has_value());
    auto reader = Reader::open(folder / "s.db").value();
    auto const newest = *reader.newest_diagnosis("a-1").value();
    CHECK(newest.at == day_one + seconds(3));
    CHECK(newest.condition == diagnosis::Condition::failure);
    CHECK(newest.document == "{\"n\":4}");
    CHECK_FALSE(reader.newest_diagnosis("a-2").value());
    auto const all = reader.newest_diagnoses().value();
    REQUIRE(all.size() == 2);
    CHECK(all[1].probe == "b-1");
    auto const page = reader.diagnoses("a-1", day_one, day_one + days(1), first(1)).value();
    CHECK(page.items.at(0).document == "{\"n\":1}");
    auto const rest = reader.diagnoses("a-1", day_one, day_one + days(1), {5, page.next}).value();
    REQUIRE(rest.items.size() == 1);
    CHECK(rest.items[0].document == "{\"n\":3}");
}

TEST_CASE("of checkpoints the newest stays, and the last of each of forty days", "[store][checkpoints]") {
    Folder const folder;
    auto store = Store::open(folder / "s.db").value();
    auto reader = Reader::open(folder / "s.db").value();
    for (int hour = 0; hour < 50 * 24; hour += 6) {
        Changes changes;
        changes.checkpoints = {
            {"a", day_one + seconds(3600.0 * hour), "v1", bytes(fmt::format("h{}", hour))}};
        REQUIRE(store.keep(changes).has_value());
    }
    auto const newest = reader.checkpoint("a", "v1").value();
    REQUIRE(newest);
    CHECK(newest->position == day_one + days(49.75));
    CHECK(newest->state == bytes("h1194"));
    CHECK_FALSE(reader.checkpoint("a", "v2").value());
    CHECK_FALSE(reader.checkpoint("b", "v1").value());
    // Between the day's last ones there is nothing left, before forty days nothing at all.
    auto const before = reader.checkpoint("a", "v1", day_one + days(30)).value();
    REQUIRE(before);
    CHECK(before->position == day_one + days(29.75));
    CHECK(reader.checkpoint("a", "v1", day_one + days(10)).value()->position == day_one + days(9.75));
    CHECK_FALSE(reader.checkpoint("a", "v1", day_one + days(9.5)).value());

    Changes empty;
    empty.checkpoints = {{"b", day_one, "v1", {}}};
    REQUIRE(store.keep(empty).has_value());
    CHECK(reader.checkpoint("b", "v1").value()->state.empty());
}

TEST_CASE(
    "a rewind deletes what was found from an instant on at one site, and what replaces it comes with it",
    "[store][rewind]") {
    Folder const folder;
    auto store = Store::open(folder / "s.db").value();
    REQUIRE(store.enrol(fleet, day_one).has_value());
    Changes changes;
    for (int day = 0; day < 4; ++day) {
        auto const at = day_one + days(day);
        for (auto const& probe : fleet) {
            changes.tests.push_back({probe.id, full_test(at)});
            changes.diagnoses.push_back({probe.id, at, diagnosis::Condition::good, "{}"});
        }
        changes.checkpoints.push_back({"a", at, "v1", {}});
    }
    REQUIRE(store.keep(changes).has_value());
    Changes again;
    again.rewinds = {{"a", day_one + days(2)}};
    again.tests = {{"a-1", full_test(day_one + days(3.5))}};
    REQUIRE(store.keep(again).has_value());

    auto reader = Reader::open(folder / "s.db").value();
    CHECK(reader.response_tests("a-1", day_one, first(10)).value().items.size() == 3);
    CHECK(reader.response_tests("a-2", day_one, first(10)).value().items.size() == 2);
    CHECK(reader.response_tests("b-1", day_one, first(10)).value().items.size() == 4);
    CHECK(reader.diagnoses("a-1", day_one, day_one + days(9), first(10)).value().items.size() == 2);
    CHECK(reader.newest_diagnosis("a-1").value()->at == day_one + days(3));
    CHECK(reader.checkpoint("a", "v1").value()->position == day_one + days(1));
}

TEST_CASE("downtimes are listed in order from an instant on", "[store][downtimes]") {
    Folder const folder;
    auto store = Store::open(folder / "s.db").value();
    Changes changes;
    changes.downtimes = {{day_one + days(2), day_one + days(3)}, {day_one, day_one + days(1)}};
    REQUIRE(store.keep(changes).has_value());
    changes.downtimes = {{day_one + days(2), day_one + days(4)}};  // stopped again before a reading came
    REQUIRE(store.keep(changes).has_value());
    auto reader = Reader::open(folder / "s.db").value();
    auto const all = reader.downtimes(day_one).value();
    REQUIRE(all.size() == 2);
    CHECK(all[0].stopped_at == day_one);
    CHECK(all[1].started_at == day_one + days(4));
    CHECK(reader.downtimes(day_one + days(1)).value().size() == 1);
}

TEST_CASE(
    "changes of service come back from the one in effect on, and a rewind takes back what was known since",
    "[store][service]") {
    using diagnosis::ServiceState;
    Folder const folder;
    auto store = Store::open(folder / "s.db").value();
    REQUIRE(store.enrol(fleet, day_one).has_value());
    auto const change = [](double day, ServiceState state) {
        return diagnosis::ServiceChange{day_one + days(day), day_one + days(day + 0.01), state};
    };
    std::vector<diagnosis::ServiceChange> const all{change(1.0, ServiceState::in_hand),
                                                    change(1.1, ServiceState::settling),
                                                    change(1.2, ServiceState::in_service)};
    Changes changes;
    for (auto const& c : all) {
        changes.service_changes.push_back({"a-1", c});
    }
    changes.service_changes.push_back({"b-1", change(1.0, ServiceState::in_hand)});
    REQUIRE(store.keep(changes).has_value());
    REQUIRE(store.keep(changes).has_value());  // found again it is the same
    auto reader = Reader::open(folder / "s.db").value();
    auto const read = [&](double from, double until) {
        return reader.service_changes("a-1", day_one + days(from), day_one + days(until)).value();
    };
    CHECK(read(0.0, 9.0) == all);
    CHECK(read(1.05, 1.15) == std::vector{all[0], all[1]});
    CHECK(read(0.0, 1.0).empty());
    CHECK(read(5.0, 6.0) == std::vector{all[2]});
    CHECK(reader.service_changes("nobody", day_one, day_one + days(9)).value().empty());

    Changes again;
    again.rewinds = {{"a", day_one + days(1.105)}};  // after the settling began, before that was known
    REQUIRE(store.keep(again).has_value());
    CHECK(read(0.0, 9.0) == std::vector{all[0]});
    CHECK(reader.service_changes("b-1", day_one, day_one + days(9)).value().size() == 1);
}

// The keeper over a real store: what people tell takes effect, also back in time, and outlives a restart.
#include "live/keeper.h"

#include <atomic>
#include <catch2/catch.hpp>
#include <cmath>
#include <ctime>

#include "live/estate.h"

namespace probekeeper::live {
namespace {

using service::Work;
using test::at_hour;
using test::Estate;

}  // namespace

TEST_CASE("a swap that is entered late shows no serial that a newer one has replaced",
          "[live][instruments]") {
    Estate estate;
    estate.start();
    CHECK(estate.serial(0) == "S-tank-1");
    estate.record(Work::probe_swap, 20.0, "tank-1", "NEW");
    CHECK(estate.serial(0) == "NEW");
    estate.record(Work::probe_swap, 10.0, "tank-1", "OLD");
    CHECK(estate.serial(0) == "NEW");
    estate.restart();
    CHECK(estate.serial(0) == "NEW");
    auto const moved = estate.record(Work::probe_swap, 25.0, "tank-2", "NEW");
    CHECK(estate.serial(1) == "NEW");
    CHECK(estate.serial(0).empty());
    REQUIRE(estate.keeper->void_record("tank-2", moved.number, "t1", "wrong probe", {}).has_value());
    CHECK(estate.serial(0) == "NEW");
    CHECK(estate.serial(1) == "S-tank-2");
}

TEST_CASE("a voided record is kept with its reason, and history is made again without it",
          "[live][records]") {
    Estate estate;
    estate.start();
    auto const before = estate.tests_from(12.0);
    REQUIRE(before > 0);
    auto const life = estate.tests_of_life();
    auto const wrong = estate.record(Work::membrane_change, 12.0, "tank-1");
    CHECK(estate.tests_of_life() != life);  // a new membrane's begins anew
    auto const mute = estate.keeper->void_record("tank-1", wrong.number, "t1", " ", {});
    REQUIRE(mute.has_error());
    CHECK(mute.error().kind == api::Refusal::Kind::invalid);
    CHECK(estate.keeper->void_record("tank-2", wrong.number, "t1", "typed twice", {}).error().kind ==
          api::Refusal::Kind::not_found);
    auto const voided = estate.keeper->void_record("tank-1", wrong.number, "t1", "typed twice", {});
    REQUIRE(voided.has_value());
    CHECK(voided->void_why == "typed twice");
    CHECK(estate.tests_of_life() == life);
    CHECK(estate.tests_from(12.0) == before);
    CHECK(estate.keeper->void_record("tank-1", wrong.number, "t1", "again", {}).error().kind ==
          api::Refusal::Kind::conflict);
    estate.restart();
    CHECK(estate.tests_from(12.0) == before);
    auto reader = store::Reader::open(estate.file).value();
    auto const kept = reader.service_record(wrong.number).value();
    REQUIRE(kept);
    CHECK(kept->voided_at == estate.now);
    CHECK(kept->void_by == "t1");
}

TEST_CASE("what is out of use is so after a restart too, and back in time", "[live][out_of_use]") {
    Estate estate;
    estate.start();
    auto const all = estate.tests_from(0.0);
    service::OutOfUse told;
    told.site = "saltmarsh";
    told.probe = "tank-1";
    told.from = at_hour(12.0);
    CHECK(estate.keeper->set_out_of_use(told, {}).error().kind == api::Refusal::Kind::invalid);  // why?
    told.why = "drained";
    told.by = "anna";
    auto parked = estate.keeper->set_out_of_use(told, {});
    REQUIRE(parked.has_value());
    CHECK(parked->number == 1);
    CHECK(estate.state(0) == "out_of_use");
    CHECK(estate.state(1) == "in_service");
    CHECK(estate.tests_from(12.5) == 0);
    estate.restart();
    CHECK(estate.state(0) == "out_of_use");

    auto ended = *parked;
    ended.until = at_hour(24.0);
    ended.ended_by = "bo";
    REQUIRE(estate.keeper->set_out_of_use(ended, {}).has_value());
    CHECK(estate.state(0) == "in_service");
    CHECK(estate.tests_from(24.0) > 0);
    ended.until = ended.from;  // it never was
    REQUIRE(estate.keeper->set_out_of_use(ended, {}).has_value());
    CHECK(estate.tests_from(0.0) == all);
    estate.restart();
    CHECK(estate.tests_from(0.0) == all);
    CHECK(estate.state(0) == "in_service");
    ended.number = 7;
    CHECK(estate.keeper->set_out_of_use(ended, {}).error().kind == api::Refusal::Kind::not_found);
}

TEST_CASE("who asks while the past is diagnosed again sees nothing of it", "[live][out_of_use]") {
    std::atomic<int> looks{0};
    std::atomic<int> of_the_past{0};
    Estate estate;
    estate.keeping.turned = [&] {
        ++looks;
        of_the_past += estate.state(0) == "in_service" ? 0 : 1;
    };
    estate.start();
    service::OutOfUse told;
    told.site = "saltmarsh";
    told.probe = "tank-1";
    told.why = "drained";
    told.from = at_hour(6.0);
    told.until = at_hour(20.0);
    auto parked = estate.keeper->set_out_of_use(told, {});
    REQUIRE(parked.has_value());
    looks = 0;
    of_the_past = 0;
    parked->until = at_hour(22.0);
    REQUIRE(estate.keeper->set_out_of_use(*parked, {}).has_value());
    estate.turn();
    CHECK(looks > 10);
    CHECK(of_the_past == 0);
}

TEST_CASE("work recorded at one probe, while the readings show another in hand, is questioned",
          "[live][records]") {
    Estate estate{/*somebody_lifts=*/true};
    estate.start();
    service::Record record;
    record.kind = Work::membrane_change;
    record.time = at_hour(20.1);
    record.probe = "tank-1";
    std::vector<api::TakenRecord> kept;
    auto const taken = estate.keeper->add_records({record}, true, [&](auto const& t) {
        kept = t;
        return std::optional<api::KeptAnswer>{};
    });
    REQUIRE(taken.has_value());
    REQUIRE(taken->front().questions.size() == 1);
    CHECK_THAT(taken->front().questions[0], Catch::Contains("no handling of tank-1") &&
                                                Catch::Contains("tank-2 (") &&
                                                Catch::Contains("void this record"));
    CHECK(taken->front().still_to_do.size() == 1);
    REQUIRE(kept.size() == 1);
    CHECK(kept[0].questions == taken->front().questions);  // the answer that is kept asks too

    SECTION("not where the sheet has a record of the other too") {
        auto other = record;
        other.kind = Work::membrane_wipe;
        other.probe = "tank-2";
        record.note = "another row";
        auto const both = estate.keeper->add_records({record, other}, true, {});
        REQUIRE(both.has_value());
        CHECK(both->at(0).questions.empty());
        CHECK(both->at(1).questions.empty());
    }
    SECTION("nor where the other has one of the same name days later, among thousands of other days") {
        record.visit = "round";
        record.note = "another row";
        auto other = record;
        other.probe = "tank-2";
        other.time = at_hour(-500.0);
        std::vector<service::Record> sheet;
        for (int k = 0; k < 5000; ++k) {
            sheet.push_back(record);
            sheet.back().time = at_hour(-600.0 - 4.0 * k);
            sheet.back().visit.clear();
        }
        auto const begun = std::clock();
        CHECK(estate.keeper->add_records(sheet, true, {}).value().size() == 5000);
        CHECK(static_cast<double>(std::clock() - begun) / CLOCKS_PER_SEC < 60.0);  // some 1 s; it was minutes
        CHECK(estate.keeper->add_records({record}, true, {}).value().front().questions.size() == 1);
        record.note = "a third";
        auto const both = estate.keeper->add_records({other, record}, true, {}).value();
        CHECK(both[1].questions.empty());
        auto const again = estate.keeper->add_records(sheet, true, {}).value();
        CHECK(std::all_of(again.begin(), again.end(), [](auto const& t) { return t.repeated; }));
    }
    SECTION("after a restart too") {
        estate.restart();
        record.note = "another row";
        CHECK(estate.keeper->add_records({record}, true, {}).value().front().questions.size() == 1);
    }
    SECTION("the same row again is the same record") {
        auto const again = estate.keeper->add_records({record, record}, true, {}).value();
        CHECK(again[0].repeated);
        CHECK(again[1].repeated);
        CHECK(again[0].kept.number == taken->front().kept.number);
    }
}

TEST_CASE("of a batch with a probe that nobody knows, or work that lies ahead, nothing is kept",
          "[live][records]") {
    Estate estate;
    estate.start();
    service::Record good, bad;
    good.probe = bad.probe = "tank-1";
    good.time = at_hour(10.0);
    bad.time = at_hour(40.0);
    CHECK(estate.keeper->add_records({good, bad}, true, {}).error().kind == api::Refusal::Kind::invalid);
    bad.probe = "tank-9";
    CHECK(estate.keeper->add_records({good, bad}, true, {}).error().kind == api::Refusal::Kind::not_found);
    auto reader = store::Reader::open(estate.file).value();
    CHECK(reader.site_records("saltmarsh").value().empty());
}

TEST_CASE("what the readings show of a lift is kept as they are made again", "[live][records]") {
    Estate estate{/*somebody_lifts=*/true};
    estate.start();
    auto const seen = [&] {
        REQUIRE(estate.writer->flush().get().has_value());
        auto reader = store::Reader::open(estate.file).value();
        return reader.service_changes("tank-2", at_hour(0.0), at_hour(30.0)).value();
    };
    auto const before = seen();
    REQUIRE(before.size() == 2);
    CHECK(before[0].state == diagnosis::ServiceState::in_hand);
    CHECK(std::abs(seconds_between(at_hour(20.0), before[0].at)) < 60.0);
    CHECK(before[1].state == diagnosis::ServiceState::in_service);
    estate.record(Work::inspection, 12.0, "tank-1");  // diagnosis is made again from there
    CHECK(seen() == before);
    estate.restart();
    CHECK(seen() == before);
}

TEST_CASE("the daemon's downtime is noted also where readings have come since it began", "[live]") {
    Estate estate;
    estate.now = at_hour(31.0);  // the store's readings end at 30
    estate.writer =
        std::make_unique<store::Writer>(store::Store::open(estate.file).value(), store::Retention{});
    Reading polled;
    polled.time = estate.now + Millis{5};
    polled.do_mg_l = 8.0;
    estate.writer->add({estate.keys[0], polled});
    REQUIRE(estate.writer->flush().get().has_value());
    estate.begin();
    REQUIRE(estate.writer->flush().get().has_value());
    auto reader = store::Reader::open(estate.file).value();
    auto const downtimes = reader.downtimes(test::day_one).value();
    REQUIRE(downtimes.size() == 1);
    CHECK(std::abs(seconds_between(at_hour(30.0), downtimes[0].stopped_at)) < 60.0);
    CHECK(downtimes[0].started_at == estate.now + Millis{1});
}

TEST_CASE("an end leaves a checkpoint of each of many sites", "[live]") {
    constexpr int sites = 100;
    Estate estate;
    auto fleet = std::make_shared<fleet::Fleet>();
    std::vector<store::FleetProbe> enrolled;
    for (int i = 0; i < sites; ++i) {
        auto const id = std::to_string(i);
        fleet->sites.emplace_back().id = "site-" + id;
        auto& probe = fleet->probes.emplace_back();
        probe.id = "probe-" + id;
        probe.site = static_cast<fleet::SiteIndex>(i);
        enrolled.push_back({probe.id, "site-" + id});
    }
    {
        auto store = store::Store::open(estate.file).value();
        std::vector<store::ProbeReading> readings;
        for (auto const key : store.enrol(enrolled, test::day_one).value()) {
            Reading reading;
            reading.time = at_hour(29.0);
            reading.do_mg_l = 8.0;
            readings.push_back({key, reading});
        }
        REQUIRE(store.append(readings).has_value());
    }
    estate.fleet = fleet;
    estate.start();
    estate.stop();
    auto reader = store::Reader::open(estate.file).value();
    for (auto const& site : fleet->sites) {
        CHECK(reader.checkpoint(site.id, std::to_string(diagnosis::algorithm_version)).value());
    }
}

}  // namespace probekeeper::live

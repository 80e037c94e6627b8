// The keeper over a real store: what people tell takes effect, also back in time, and outlives a restart.
#include "live/keeper.h"

#include <spdlog/sinks/null_sink.h>

#include <catch2/catch.hpp>

#include "diagnosis/rig.h"
#include "store/support.h"

namespace probekeeper::live {
namespace {

using diagnosis::test::day_one;
using diagnosis::test::Rig;
using service::Work;

Timestamp at_hour(double hour) {
    return day_one + seconds(3600.0 * hour);
}

std::shared_ptr<fleet::Fleet const> two_tanks() {
    auto fleet = std::make_shared<fleet::Fleet>();
    fleet->sites.emplace_back().id = "saltmarsh";
    for (auto const* id : {"tank-1", "tank-2"}) {
        auto& probe = fleet->probes.emplace_back();
        probe.id = id;
        probe.serial = std::string{"S-"} + id;
        probe.poll_s = 10.0;
        probe.t90_s = 40.0;
    }
    return fleet;
}

// A folder with a store of 30 hours of readings, and a daemon's middle that can be started again on it.
struct Estate {
    store::test::Folder folder;
    std::shared_ptr<fleet::Fleet const> fleet = two_tanks();
    Timestamp now = at_hour(30.0);
    StampClock clock{[this] { return now; }, [] { return std::chrono::steady_clock::time_point{}; }};
    std::shared_ptr<spdlog::logger> log =
        std::make_shared<spdlog::logger>("test", std::make_shared<spdlog::sinks::null_sink_mt>());
    api::EventHub events;
    std::shared_ptr<Board> board;
    std::unique_ptr<store::Writer> writer;
    std::unique_ptr<Keeper> keeper;

    explicit Estate(bool somebody_lifts = false) {
        auto store = store::Store::open(folder / "s.db").value();
        auto const keys = store.enrol({{"tank-1", "saltmarsh"}, {"tank-2", "saltmarsh"}}, day_one).value();
        std::vector<store::ProbeReading> readings;
        Rig rig{2, 3};
        auto const run = [&](double hours) {
            rig.run(hours, [&](std::size_t place, Reading const& r) { readings.push_back({keys[place], r}); });
        };
        run(20.0);
        rig.probe(1).in_air = somebody_lifts;  // the second tank's
        run(0.25);
        rig.probe(1).in_air = false;
        run(9.75);
        REQUIRE(store.append(readings).has_value());
    }
    ~Estate() { stop(); }

    void start() {
        writer =
            std::make_unique<store::Writer>(store::Store::open(folder / "s.db").value(), store::Retention{});
        board = std::make_shared<Board>(fleet, events);
        keeper =
            std::make_unique<Keeper>(fleet, *board, *writer, store::Reader::open(folder / "s.db").value(),
                                     clock, now + Millis{1}, log);
        keeper->start();
        // Commands are answered after the store has been caught up with.
        REQUIRE(keeper->step("saltmarsh-99", {}, {}).has_error());
    }
    void stop() {
        keeper.reset();
        writer.reset();
    }
    void restart() {
        stop();
        start();
    }
    service::KeptRecord record(Work kind, double hour, std::string probe, std::string serial = {}) {
        service::Record r;
        r.kind = kind;
        r.time = at_hour(hour);
        r.probe = std::move(probe);
        r.serial = std::move(serial);
        return keeper->add_records({r}, false, {}).value().front().kept;
    }
    [[nodiscard]] std::string serial(fleet::ProbeIndex probe) const { return board->probe(probe).serial; }
    [[nodiscard]] std::string state(fleet::ProbeIndex probe) const {
        return std::string{diagnosis::to_word(board->probe(probe).service_state)};
    }
    // How many tests today's T90 of the first tank rests on, as the API tells it.
    [[nodiscard]] std::string tests_of_life() const {
        auto const text = board->diagnosis(0);
        auto const place = text.find("\"tests\":");
        return place == std::string::npos ? "none" : text.substr(place, text.find(',', place) - place);
    }
    // How many response tests of the first tank are kept from that hour on, used ones.
    [[nodiscard]] std::size_t tests_from(double hour) {
        REQUIRE(writer->flush().get().has_value());
        auto reader = store::Reader::open(folder / "s.db").value();
        auto const all = reader.response_tests("tank-1", at_hour(hour), {1000, std::nullopt}).value().items;
        return static_cast<std::size_t>(
            std::count_if(all.begin(), all.end(), [](auto const& t) { return t.used; }));
    }
};

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
    auto reader = store::Reader::open(estate.folder / "s.db").value();
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

TEST_CASE("work recorded at one probe, while the readings show another in hand, is questioned", "[live][records]") {
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
    CHECK_THAT(taken->front().questions[0], Catch::Contains("no handling of tank-1") && Catch::Contains("tank-2 (") &&
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

TEST_CASE("of a batch with a probe that nobody knows, or work that lies ahead, nothing is kept", "[live][records]") {
    Estate estate;
    estate.start();
    service::Record good, bad;
    good.probe = bad.probe = "tank-1";
    good.time = at_hour(10.0);
    bad.time = at_hour(40.0);
    CHECK(estate.keeper->add_records({good, bad}, true, {}).error().kind == api::Refusal::Kind::invalid);
    bad.probe = "tank-9";
    CHECK(estate.keeper->add_records({good, bad}, true, {}).error().kind == api::Refusal::Kind::not_found);
    auto reader = store::Reader::open(estate.folder / "s.db").value();
    CHECK(reader.site_records("saltmarsh").value().empty());
}

TEST_CASE("what the readings show of a lift is kept as they are made again", "[live][records]") {
    Estate estate{/*somebody_lifts=*/true};
    estate.start();
    auto const seen = [&] {
        REQUIRE(estate.writer->flush().get().has_value());
        auto reader = store::Reader::open(estate.folder / "s.db").value();
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

}  // namespace probekeeper::live

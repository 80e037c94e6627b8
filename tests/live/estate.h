// A daemon's middle over a real store, which can be ended and started again.
#pragma once

#include <spdlog/sinks/null_sink.h>

#include <catch2/catch.hpp>

#include "diagnosis/rig.h"
#include "live/keeper.h"
#include "store/support.h"

namespace probekeeper::live::test {

using diagnosis::test::day_one;
using diagnosis::test::Rig;
using service::Work;

inline Timestamp at_hour(double hour) {
    return day_one + seconds(3600.0 * hour);
}

inline std::shared_ptr<fleet::Fleet const> two_tanks() {
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
    Arrivals arrivals;
    std::shared_ptr<Keeper> keeper;
    Keeper::Options keeping;
    std::filesystem::path file = folder / "s.db";
    std::vector<store::ProbeKey> keys;  // of the fleet's probes
    std::vector<Reading> late;          // of the first tank in hours that the store lacks

    // Hours from and until which the first tank's readings come late.
    explicit Estate(bool somebody_lifts = false, double late_from = 0.0, double late_until = 0.0) {
        auto store = store::Store::open(file).value();
        keys = store.enrol({{"tank-1", "saltmarsh"}, {"tank-2", "saltmarsh"}}, day_one).value();
        std::vector<store::ProbeReading> readings;
        Rig rig{2, 3};
        auto const run = [&](double hours) {
            rig.run(hours, [&](std::size_t place, Reading const& r) {
                if (place == 0 && r.time >= at_hour(late_from) && r.time < at_hour(late_until)) {
                    late.push_back(r);
                } else {
                    readings.push_back({keys[place], r});
                }
            });
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
        writer = std::make_unique<store::Writer>(store::Store::open(file).value(), store::Retention{});
        begin();
    }
    // As a start of the daemon does, or its taking of another configuration.
    void begin() {
        board = std::make_shared<Board>(fleet, events);
        keeper = std::make_shared<Keeper>(fleet, *board, *writer, store::Reader::open(file).value(), arrivals,
                                          clock, now + Millis{1}, log, keeping);
        keeper->start();
        turn();  // commands are answered after the store has been caught up with
    }
    // Until the keeper has gone through all it does once.
    void turn() {
        REQUIRE(keeper->step("saltmarsh-99", {}, {}).has_error());
        REQUIRE(keeper->step("saltmarsh-99", {}, {}).has_error());
    }
    void stop() {
        keeper.reset();
        writer.reset();
    }
    // Ends, and goes on from what the disk held when `copy` was made of it: as after a kill in that moment.
    void copy(std::string const& name) const {
        for (auto const* suffix : {"", "-wal"}) {
            std::filesystem::copy_file(file.string() + suffix, (folder / name).string() + suffix);
        }
    }
    void restart_from(std::string const& name) {
        stop();
        file = folder / name;
        start();
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
        auto reader = store::Reader::open(file).value();
        auto const all = reader.response_tests("tank-1", at_hour(hour), {1000, std::nullopt}).value().items;
        return static_cast<std::size_t>(
            std::count_if(all.begin(), all.end(), [](auto const& t) { return t.used; }));
    }
};

}  // namespace probekeeper::live::test

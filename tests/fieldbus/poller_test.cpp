// The worker of one line against a device on loopback, with real time in small portions.
#include <catch2/catch.hpp>

#include <atomic>
#include <cerrno>

#include "fieldbus/fleet_maker.h"
#include "fieldbus/poller.h"
#include "fieldbus/printing.h"
#include "fieldbus/remembering_sink.h"
#include "fieldbus/simulated_device.h"

using namespace probekeeper;
using namespace probekeeper::fieldbus;
using namespace probekeeper::fieldbus::test;
using namespace std::chrono_literals;

namespace {

using Memory = RememberingSink::Memory;

// Stands still at a known instant, so that stamps can be told.
class FixedClock final : public Clock {
public:
    [[nodiscard]] Timestamp now() const override { return from_unix_ms(1'767'225'600'000); }
};
FixedClock const fixed_clock;

Bytes right_answer(Request const& request) {
    return tcp_frame(request, right_pdu(request, two_floats_value));
}
Conduct answers(Request const& request) {
    return says(right_answer(request));
}

WorkerOptions no_jitter() {
    return {[] { return 0.0; }};
}

}  // namespace

TEST_CASE("every probe of a line gives decoded readings with the clock's stamp", "[fieldbus][poller]") {
    SimulatedDevice const device{answers};
    auto const fleet = fleet_on(device.port(), 3, 0.05, 1000);
    RememberingSink sink;
    LineWorker worker{fleet, 0, sink, fixed_clock, no_jitter()};
    worker.start();
    REQUIRE(sink.wait_for([](Memory const& m) {
        return m.readings_of(0) >= 3 && m.readings_of(1) >= 3 && m.readings_of(2) >= 3;
    }));
    worker.stop();
    auto const memory = sink.memory();
    for (auto const& [probe, reading] : memory.readings) {
        CHECK(reading.time == fixed_clock.now());
        CHECK(reading.do_mg_l == Approx(7.4));
        CHECK(reading.temperature_c == Approx(14.2));
        CHECK(reading.known == (mark_cleaning | mark_aeration | mark_hold));
        CHECK(reading.marks == mark_aeration);
    }
    CHECK(memory.faults.empty());
    REQUIRE(memory.states.size() == 1);
    CHECK(memory.states[0].up);
    auto const statistics = worker.statistics();
    CHECK(statistics.up);
    CHECK(statistics.opened == 1);
    REQUIRE(statistics.units.size() == 3);
    for (auto const& unit : statistics.units) {
        CHECK(unit.good == memory.readings_of(unit.probe));
        CHECK(unit.polls == unit.good);
        CHECK(unit.latency_max >= unit.latency_last);
        CHECK(unit.last_good_at == fixed_clock.now());
    }
    CHECK(device.connections() == 1);
}

TEST_CASE("a stopped worker calls its sink no more, and stops within one request", "[fieldbus][poller]") {
    SimulatedDevice const device{[](Request const&) { return stays_silent(); }};
    auto const fleet = fleet_on(device.port(), 1, 0.05, 300);
    RememberingSink sink;
    LineWorker worker{fleet, 0, sink, fixed_clock, no_jitter()};
    worker.start();
    REQUIRE(sink.wait_for([](Memory const& m) { return m.faults.size() == 1; }));
    auto const asked = SteadyClock::now();
    worker.stop();
    CHECK(SteadyClock::now() - asked < 1s);
    auto const before = sink.memory().faults.size();
    worker.stop();
    CHECK(sink.memory().faults.size() == before);
}

TEST_CASE("a line without probes is never opened", "[fieldbus][poller]") {
    SimulatedDevice const device{answers};
    auto const fleet = fleet_on(device.port(), 0, 1.0, 300);
    RememberingSink sink;
    LineWorker worker{fleet, 0, sink, fixed_clock, no_jitter()};
    worker.start();
    worker.stop();
    CHECK(device.connections() == 0);
    CHECK(sink.memory().states.empty());
}

TEST_CASE("a line that refuses is down with the reason, and up again when somebody listens",
          "[fieldbus][poller]") {
    auto const port = deaf_port();
    auto const fleet = fleet_on(port, 2, 0.05, 500);
    RememberingSink sink;
    LineWorker worker{fleet, 0, sink, fixed_clock, no_jitter()};
    worker.start();
    REQUIRE(sink.wait_for([](Memory const& m) {
        return m.faults_of(0, Fault::refused) >= 2 && m.faults_of(1, Fault::refused) >= 2;
    }));
    CHECK(sink.memory().readings.empty());
    SimulatedDevice const device{answers, port};
    REQUIRE(sink.wait_for([](Memory const& m) { return m.readings_of(0) >= 1 && m.readings_of(1) >= 1; }));
    worker.stop();
    auto const states = sink.memory().states;
    REQUIRE(states.size() == 2);
    CHECK_FALSE(states[0].up);
    CHECK(states[0].error == LinkError{Fault::refused, ECONNREFUSED});
    CHECK(states[1].up);
    CHECK(worker.statistics().open_failures >= 1);
}

TEST_CASE("a connection that the device closes after each answer costs no reading", "[fieldbus][poller]") {
    SimulatedDevice const device{[](Request const& request) {
        return Conduct{{right_answer(request)}, /*hang_up=*/request.function == 2};
    }};
    auto const fleet = fleet_on(device.port(), 1, 0.05, 1000);
    RememberingSink sink;
    LineWorker worker{fleet, 0, sink, fixed_clock, no_jitter()};
    worker.start();
    REQUIRE(sink.wait_for([](Memory const& m) { return m.readings.size() >= 5; }));
    worker.stop();
    CHECK(sink.memory().faults.empty());
    CHECK(sink.memory().states.size() == 1);
    CHECK(device.connections() >= 5);
}

TEST_CASE("a unit that was silent reads again from its first good answer", "[fieldbus][poller]") {
    std::atomic<int> second_asked = 0;
    SimulatedDevice const device{[&](Request const& request) {
        return request.unit == 2 && ++second_asked <= 3 ? stays_silent() : answers(request);
    }};
    auto const fleet = fleet_on(device.port(), 2, 0.05, 30);
    RememberingSink sink;
    LineWorker worker{fleet, 0, sink, fixed_clock, no_jitter()};
    worker.start();
    REQUIRE(sink.wait_for([](Memory const& m) { return m.readings_of(1) >= 5; }));
    worker.stop();
    CHECK(sink.memory().faults_of(1, Fault::timed_out) >= 3);
    CHECK(worker.statistics().units[1].spared > 0);
    CHECK(sink.memory().readings_of(0) > sink.memory().readings_of(1));
}

TEST_CASE("dead units cost the others on their line little", "[fieldbus][poller]") {
    // One dead of sixteen: under 5 % of the line's time; four: under 10 %. In 120 timeouts, as a minute at
    // 500 ms.
    struct Case {
        int dead;
        double share_max;
    };
    auto const [dead, share_max] = GENERATE(Case{1, 0.05}, Case{4, 0.10});
    constexpr double poll_s = 0.1;
    constexpr int timeout_ms = 50;
    constexpr int slots = 60;
    int const first_dead = 16 - dead;
    SimulatedDevice const device{[first_dead](Request const& request) {
        return request.unit > first_dead ? stays_silent() : answers(request);
    }};
    auto const fleet = fleet_on(device.port(), 16, poll_s, timeout_ms);
    RememberingSink sink;
    LineWorker worker{fleet, 0, sink, fixed_clock, no_jitter()};
    auto const started = SteadyClock::now();
    worker.start();
    REQUIRE(sink.wait_for([](Memory const& m) { return m.readings_of(0) >= slots; }));
    worker.stop();
    std::chrono::duration<double> const elapsed = SteadyClock::now() - started;
    auto const statistics = worker.statistics();
    double waited_s = 0.0;
    std::uint64_t good = 0, missed = 0;
    for (auto const& unit : statistics.units) {
        if (static_cast<int>(unit.probe) >= first_dead) {
            waited_s += static_cast<double>(unit.faults[static_cast<std::size_t>(Fault::timed_out)]) *
                        timeout_ms / 1e3;
            CHECK(unit.good == 0);
        } else {
            // The line stays usable for the living, whatever the dead do to it.
            CHECK(unit.faults[static_cast<std::size_t>(Fault::closed_by_peer)] == 0);
            good += unit.good;
            missed += unit.missed;
        }
    }
    CAPTURE(dead, elapsed.count(), waited_s, good, missed);
    CHECK(waited_s / elapsed.count() < share_max);
    CHECK(missed < good / 5);
}

TEST_CASE("a device that refuses holes is asked for its signals alone, from then on", "[fieldbus][poller]") {
    std::atomic<int> refusals = 0;
    SimulatedDevice const device{[&](Request const& request) {
        bool const crosses_hole =
            request.function == 3 && request.address < 4 && request.address + request.count > 4;
        refusals += crosses_hole ? 1 : 0;
        return crosses_hole ? says(tcp_frame(request, exception_pdu(request, 2))) : answers(request);
    }};
    auto fleet = fleet_on(device.port(), 1, 0.05, 1000);
    auto& pressure = fleet.register_maps[0].pressure.emplace();
    pressure.address = 9;
    pressure.unit = fleet::Unit::hpa;
    RememberingSink sink;
    LineWorker worker{fleet, 0, sink, fixed_clock, no_jitter()};
    worker.start();
    REQUIRE(sink.wait_for([](Memory const& m) { return m.readings.size() >= 5; }));
    worker.stop();
    CHECK(refusals == 1);
    for (auto const& [probe, reading] : sink.memory().readings) {
        CHECK(reading.do_mg_l == Approx(7.4));
        CHECK(reading.pressure_hpa == 0.0);
    }
    CHECK(sink.memory().faults.empty());
}

TEST_CASE("bits that the device refuses leave a reading with the bits unknown", "[fieldbus][poller]") {
    SimulatedDevice const device{[](Request const& request) {
        return request.function == 2 ? says(tcp_frame(request, exception_pdu(request, 1))) : answers(request);
    }};
    auto const fleet = fleet_on(device.port(), 1, 0.05, 1000);
    RememberingSink sink;
    LineWorker worker{fleet, 0, sink, fixed_clock, no_jitter()};
    worker.start();
    REQUIRE(sink.wait_for([](Memory const& m) { return m.readings.size() >= 2; }));
    worker.stop();
    auto const memory = sink.memory();
    CHECK(memory.readings[0].reading.known == 0);
    CHECK(memory.readings[0].reading.do_mg_l == Approx(7.4));
    CHECK(memory.faults[0].error == LinkError{Fault::exception, 1});
}

TEST_CASE("bits that are passed over in silence are asked for ever less often", "[fieldbus][poller]") {
    std::atomic<int> asked = 0;
    SimulatedDevice const device{[&](Request const& request) {
        asked += request.function == 2 ? 1 : 0;
        return request.function == 2 ? stays_silent() : answers(request);
    }};
    auto const fleet = fleet_on(device.port(), 1, 0.02, 100);
    RememberingSink sink;
    LineWorker worker{fleet, 0, sink, fixed_clock, no_jitter()};
    worker.start();
    REQUIRE(sink.wait_for([](Memory const& m) { return m.readings.size() >= 40; }));
    worker.stop();
    // Passes 1, 3, 6, 11, 20, 37: after each silence 1, 2, 4, 8, 16 passes are spared.
    CHECK(asked >= 6);
    CHECK(asked <= 7);
}

TEST_CASE("oxygen that is no number is a fault and no reading", "[fieldbus][poller]") {
    SimulatedDevice const device{[](Request const& request) {
        return says(tcp_frame(request, right_pdu(request, [](std::uint8_t function, int address) {
                                  return address == 0 && function == 3 ? std::uint16_t{0x7FC0}
                                                                       : two_floats_value(function, address);
                              })));
    }};
    auto const fleet = fleet_on(device.port(), 1, 0.05, 1000);
    RememberingSink sink;
    LineWorker worker{fleet, 0, sink, fixed_clock, no_jitter()};
    worker.start();
    REQUIRE(sink.wait_for([](Memory const& m) { return m.faults.size() >= 2; }));
    worker.stop();
    auto const memory = sink.memory();
    CHECK(memory.readings.empty());
    CHECK(memory.faults[0].error ==
          LinkError{Fault::decode, decode_code({SignalName::dissolved_oxygen, DecodeFault::not_a_number})});
    CHECK(worker.statistics().units[0].good == 0);
}

TEST_CASE("an exception is an answer: the unit is asked again in every slot", "[fieldbus][poller]") {
    SimulatedDevice const device{
        [](Request const& request) { return says(tcp_frame(request, exception_pdu(request, 6))); }};
    auto const fleet = fleet_on(device.port(), 1, 0.02, 1000);
    RememberingSink sink;
    LineWorker worker{fleet, 0, sink, fixed_clock, no_jitter()};
    worker.start();
    REQUIRE(sink.wait_for([](Memory const& m) { return m.faults_of(0, Fault::exception) >= 20; }));
    worker.stop();
    CHECK(worker.statistics().units[0].spared == 0);
    CHECK(device.connections() == 1);
}

TEST_CASE("a device slower than the grid gives a sample a slot at most, and the missed ones are counted",
          "[fieldbus][poller]") {
    // Each answer comes only after twice the interval has gone by.
    SimulatedDevice const device{[](Request const& request) {
        auto const until = SteadyClock::now() + 50ms;
        while (request.function == 3 && SteadyClock::now() < until) {
        }
        return answers(request);
    }};
    auto const fleet = fleet_on(device.port(), 1, 0.02, 2000);
    RememberingSink sink;
    LineWorker worker{fleet, 0, sink, fixed_clock, no_jitter()};
    auto const started = SteadyClock::now();
    worker.start();
    REQUIRE(sink.wait_for([](Memory const& m) { return m.readings.size() >= 10; }));
    worker.stop();
    auto const slots = static_cast<std::uint64_t>((SteadyClock::now() - started) / 20ms) + 2;
    auto const unit = worker.statistics().units[0];
    CHECK(unit.missed >= unit.polls - 1);
    CHECK(unit.missed + unit.polls <= slots);
}

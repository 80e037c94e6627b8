// More lines than select() could wait for: opened, polled and stopped together, as at a start, a reload and
// an end.
#include <catch2/catch.hpp>

#include <sys/resource.h>

#include <filesystem>
#include <iterator>
#include <memory>

#include "fieldbus/fleet_maker.h"
#include "fieldbus/poller.h"
#include "fieldbus/remembering_sink.h"
#include "fieldbus/simulated_device.h"

using namespace probekeeper;
using namespace probekeeper::fieldbus;
using namespace probekeeper::fieldbus::test;

namespace {

constexpr std::size_t lines = 1100;
enum class Kind { answers, refuses, silent };

Kind kind_of(std::size_t line) {
    return line % 10 == 3 ? Kind::refuses : line % 10 == 7 ? Kind::silent : Kind::answers;
}

// One probe a line, so that a probe has its line's number.
fleet::Fleet fleet_of(std::uint16_t answering, std::uint16_t silent) {
    auto fleet = fleet_on(answering, static_cast<int>(lines), 0.5, 400);
    auto const line = fleet.lines.front();
    fleet.lines.assign(lines, line);
    auto const deaf = deaf_port();
    for (std::size_t i = 0; i < lines; ++i) {
        fleet.probes[i].line = static_cast<fleet::LineIndex>(i);
        auto const kind = kind_of(i);
        fleet.lines[i].port = kind == Kind::answers ? answering : kind == Kind::silent ? silent : deaf;
    }
    return fleet;
}

// Two of each: readings where somebody answers, faults elsewhere.
bool each_heard_twice(RememberingSink::Memory const& memory) {
    if (memory.readings.size() + memory.faults.size() < 2 * lines) {
        return false;
    }
    std::vector<int> readings(lines), faults(lines);
    for (auto const& got : memory.readings) {
        ++readings[got.probe];
    }
    for (auto const& failed : memory.faults) {
        ++faults[failed.probe];
    }
    for (std::size_t i = 0; i < lines; ++i) {
        if ((kind_of(i) == Kind::answers ? readings : faults)[i] < 2) {
            return false;
        }
    }
    return true;
}

std::ptrdiff_t open_descriptors() {
    return std::distance(std::filesystem::directory_iterator{"/proc/self/fd"}, {});
}

bool allow(rlim_t descriptors) {
    rlimit limit{};
    ::getrlimit(RLIMIT_NOFILE, &limit);
    limit.rlim_cur = limit.rlim_max;
    ::setrlimit(RLIMIT_NOFILE, &limit);
    return limit.rlim_cur >= descriptors;
}

}  // namespace

TEST_CASE("many lines open, are polled and stop together, again and again, and leave nothing open",
          "[fieldbus][poller]") {
    if (!allow(3 * lines)) {
        WARN("the open files limit is too low for this test");
        return;
    }
    auto const before = open_descriptors();
    {
        SimulatedDevice const answering{[](Request const& request) {
            return says(tcp_frame(request, right_pdu(request, two_floats_value)));
        }};
        SimulatedDevice const silent{[](Request const&) { return stays_silent(); }};
        auto const fleet = fleet_of(answering.port(), silent.port());
        SystemClock const clock;
        for (int round = 0; round < 2; ++round) {
            RememberingSink sink;
            std::vector<std::unique_ptr<LineWorker>> workers;
            for (fleet::LineIndex line = 0; line < lines; ++line) {
                workers.push_back(std::make_unique<LineWorker>(fleet, line, sink, clock));
                workers.back()->start();
            }
            REQUIRE(sink.wait_for(each_heard_twice));
            for (auto const& worker : workers) {
                worker->interrupt();
            }
            for (auto const& worker : workers) {
                worker->stop();
            }
            for (auto const& [probe, error] : sink.memory().faults) {
                auto const wanted = kind_of(probe) == Kind::refuses ? Fault::refused : Fault::timed_out;
                CHECK(error.fault == wanted);
            }
        }
    }
    CHECK(open_descriptors() == before);
}

#include <catch2/catch.hpp>

#include "fieldbus/fleet_maker.h"
#include "fieldbus/loop_check.h"
#include "fieldbus/printing.h"
#include "fieldbus/simulated_device.h"

using namespace probekeeper;
using namespace probekeeper::fieldbus;
using namespace probekeeper::fieldbus::test;

namespace {

Conduct answers(Request const& request) {
    return says(tcp_frame(request, right_pdu(request, two_floats_value)));
}

SystemClock const system_clock;

}  // namespace

TEST_CASE("the loop check shows raw registers and decoded values of each probe", "[fieldbus][loop-check]") {
    SimulatedDevice const device{answers};
    auto const fleet = fleet_on(device.port(), 2, 5.0, 1000);
    auto const rows = loop_check(fleet, system_clock);
    REQUIRE(rows.size() == 2);
    CHECK(rows[0].passed());
    CHECK(to_lines(rows[1], fleet) ==
          std::vector<std::string>{
              "probe-101 (line line, 127.0.0.1:" + std::to_string(device.port()) + ", unit 2): ok",
              "  holding 0..3: 40EC CCCD 4163 3333", "  discrete 0..2: 0 1 0",
              "  dissolved_oxygen = 7.4 mg/L", "  temperature = 14.2 degC", "  cleaning = 0",
              "  aeration = 1", "  hold = 0"});
    CHECK(device.connections() == 1);
}

TEST_CASE("the loop check of one probe leaves the others alone", "[fieldbus][loop-check]") {
    SimulatedDevice const device{answers};
    auto const fleet = fleet_on(device.port(), 3, 5.0, 1000);
    auto const rows = loop_check(fleet, system_clock, 1);
    REQUIRE(rows.size() == 1);
    CHECK(rows[0].probe == 1);
    CHECK(device.requests() == 2);
}

TEST_CASE("the loop check names the exact fault", "[fieldbus][loop-check]") {
    SimulatedDevice const device{[](Request const& request) {
        switch (request.unit) {
            case 1:
                return stays_silent();
            case 2:
                return says(tcp_frame(request, exception_pdu(request, 2)));
            case 3:
                return request.function == 2 ? says(tcp_frame(request, exception_pdu(request, 1)))
                                             : answers(request);
            default:
                return says(
                    tcp_frame(request, right_pdu(request, [](auto, int) { return std::uint16_t{0x7FC0}; })));
        }
    }};
    auto const fleet = fleet_on(device.port(), 4, 5.0, 50);
    auto const rows = loop_check(fleet, system_clock);
    REQUIRE(rows.size() == 4);
    for (auto const& row : rows) {
        CHECK_FALSE(row.passed());
    }
    CHECK(rows[0].failed.at(0).error.fault == Fault::timed_out);
    CHECK(rows[1].failed.at(0).error == LinkError{Fault::exception, 2});
    CHECK(rows[2].failed.at(0).error == LinkError{Fault::exception, 1});
    CHECK(rows[2].values.size() == 2);
    auto const lines = to_lines(rows[3], fleet);
    CHECK(lines.at(1) == "  holding 0..3: 7FC0 7FC0 7FC0 7FC0");
    CHECK(lines.at(3) ==
          "  dissolved_oxygen not read: dissolved_oxygen is not a number (NaN); check `type` and `order` in "
          "the "
          "register map, or the device has no value");
}

TEST_CASE("a line that cannot be opened is tried once and told for each of its probes",
          "[fieldbus][loop-check]") {
    auto const fleet = fleet_on(deaf_port(), 3, 5.0, 500);
    auto const rows = loop_check(fleet, system_clock);
    REQUIRE(rows.size() == 3);
    for (auto const& row : rows) {
        CHECK_FALSE(row.passed());
        CHECK(row.line_error.fault == Fault::refused);
    }
    auto const lines = to_lines(rows[0], fleet);
    REQUIRE(lines.size() == 2);
    CHECK(lines[0].ends_with("unit 1): FAULT refused"));
    CHECK(lines[1].find("port") != std::string::npos);
}

TEST_CASE("a probe fed by CSV has no row in the loop check", "[fieldbus][loop-check]") {
    auto fleet = fleet_on(1, 1, 5.0, 500);
    fleet.probes[0].line.reset();
    fleet.probes[0].register_map.reset();
    CHECK(loop_check(fleet, system_clock).empty());
}

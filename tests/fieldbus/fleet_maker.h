// Small fleets for tests of the poller and the loop check.
#pragma once

#include <string>

#include "fleet/fleet.h"

namespace probekeeper::fieldbus::test {

// Two floats in holding registers 0 to 3 and three discrete inputs, as in the example of the interface.
[[nodiscard]] inline fleet::RegisterMap two_floats() {
    fleet::RegisterMap map;
    map.id = "two-floats";
    map.dissolved_oxygen.type = fleet::RegisterType::float32;
    map.dissolved_oxygen.unit = fleet::Unit::mg_per_l;
    map.temperature = map.dissolved_oxygen;
    map.temperature->address = 2;
    map.temperature->unit = fleet::Unit::deg_c;
    fleet::Signal bit;
    bit.table = fleet::Table::discrete;
    map.cleaning = bit;
    bit.address = 1;
    map.aeration = bit;
    bit.address = 2;
    map.hold = bit;
    return map;
}

// `probes` probes with units 1, 2, ... on one TCP line to `port`.
[[nodiscard]] inline fleet::Fleet fleet_on(std::uint16_t port, int probes, double poll_s, int timeout_ms) {
    fleet::Fleet fleet;
    fleet.sites.emplace_back().id = "site";
    auto& line = fleet.lines.emplace_back();
    line.id = "line";
    line.host = "127.0.0.1";
    line.port = port;
    line.timeout_ms = timeout_ms;
    fleet.register_maps.push_back(two_floats());
    for (int i = 0; i < probes; ++i) {
        auto& probe = fleet.probes.emplace_back();
        probe.id = "probe-" + std::to_string(100 + i);
        probe.line = 0;
        probe.unit = i + 1;
        probe.register_map = 0;
        probe.poll_s = poll_s;
    }
    return fleet;
}

// 7.4 mg/L at 14.2 degC, aeration on: the registers of two_floats().
[[nodiscard]] inline std::uint16_t two_floats_value(std::uint8_t function, int address) {
    if (function == 2) {
        return address == 1 ? 1 : 0;
    }
    constexpr std::uint16_t words[] = {0x40EC, 0xCCCD, 0x4163, 0x3333};
    return address < 4 ? words[address] : 0;
}

}  // namespace probekeeper::fieldbus::test

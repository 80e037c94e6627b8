#include <catch2/catch.hpp>

#include "fieldbus/plan.h"
#include "fieldbus/timing.h"

using namespace probekeeper::fieldbus;
using namespace probekeeper;
using fleet::RegisterType;
using fleet::Table;

namespace {

fleet::Signal at(Table table, int address, RegisterType type = RegisterType::uint16) {
    fleet::Signal s;
    s.table = table;
    s.address = static_cast<std::uint16_t>(address);
    s.type = type;
    return s;
}

fleet::Line serial(int baud, fleet::Parity parity = fleet::Parity::none, int stop_bits = 1) {
    fleet::Line line;
    line.transport = fleet::Transport::rtu;
    line.baud = baud;
    line.parity = parity;
    line.stop_bits = stop_bits;
    return line;
}

fleet::RegisterMap two_in(Table table, int first, int second) {
    fleet::RegisterMap map;
    map.dissolved_oxygen = at(table, first);
    map.temperature = at(table, second);
    return map;
}

CostModel const tcp = costs_of(fleet::Line{});
using Blocks = std::vector<Block>;

double ms(Nanos t) {
    return static_cast<double>(t.count()) / 1e6;
}

}  // namespace

TEST_CASE("two floats side by side and three bits are two requests", "[fieldbus][plan]") {
    fleet::RegisterMap map;
    map.dissolved_oxygen = at(Table::holding, 0, RegisterType::float32);
    map.temperature = at(Table::holding, 2, RegisterType::float32);
    map.cleaning = at(Table::discrete, 0);
    map.aeration = at(Table::discrete, 1);
    map.hold = at(Table::discrete, 2);
    CHECK(plan(map, tcp) == Blocks{{Table::holding, 0, 4}, {Table::discrete, 0, 3}});
}

TEST_CASE("a hole is read where that costs less than another request", "[fieldbus][plan]") {
    // 9600 baud, 10 bits: a request is 8 + 5 + 7 = 20 characters, so ten registers of hole are break-even.
    auto const rtu = costs_of(serial(9600));
    CHECK(rtu.request == Approx(20.0).margin(0.001));
    CHECK(plan(two_in(Table::holding, 0, 10), rtu).size() == 1);
    CHECK(plan(two_in(Table::holding, 0, 12), rtu).size() == 2);
    CHECK(plan(two_in(Table::holding, 0, 32), tcp).size() == 1);
    CHECK(plan(two_in(Table::holding, 0, 34), tcp).size() == 2);
    CHECK(plan(two_in(Table::coil, 0, 150), rtu).size() == 1);
    CHECK(plan(two_in(Table::coil, 0, 170), rtu).size() == 2);
}

TEST_CASE("a hole as dear as a request is read, since fewer requests are better", "[fieldbus][plan]") {
    CostModel const even{20.0, 2.0, 0.125};
    CHECK(plan(two_in(Table::holding, 0, 11), even).size() == 1);
    CHECK(plan(two_in(Table::holding, 0, 12), even).size() == 2);
}

TEST_CASE("at high speed the fixed silence makes a request dearer", "[fieldbus][plan]") {
    // 115200 baud, 11 bits: 1.75 ms is 18.3 characters, so a request is 49.65 of them.
    CHECK(costs_of(serial(115200, fleet::Parity::even)).request == Approx(49.65).margin(0.01));
}

TEST_CASE("no request asks for more than one answer can carry", "[fieldbus][plan]") {
    CostModel const dear_requests{1e6, 1.0, 1.0};
    CHECK(plan(two_in(Table::input, 0, 124), dear_requests) == Blocks{{Table::input, 0, 125}});
    CHECK(plan(two_in(Table::input, 0, 125), dear_requests).size() == 2);
    CHECK(plan(two_in(Table::coil, 0, 1999), dear_requests) == Blocks{{Table::coil, 0, 2000}});
    CHECK(plan(two_in(Table::coil, 0, 2000), dear_requests).size() == 2);
}

TEST_CASE("the registers of one number stay in one request", "[fieldbus][plan]") {
    fleet::RegisterMap map;
    map.dissolved_oxygen = at(Table::holding, 0);
    map.temperature = at(Table::holding, 124, RegisterType::float32);
    CHECK(plan(map, {1e6, 1.0, 1.0}) == Blocks{{Table::holding, 0, 1}, {Table::holding, 124, 2}});
}

TEST_CASE("the block with oxygen comes first, whatever its table and address", "[fieldbus][plan]") {
    fleet::RegisterMap map;
    map.dissolved_oxygen = at(Table::holding, 500);
    map.temperature = at(Table::holding, 0);
    map.hold = at(Table::coil, 3);
    CHECK(plan(map, tcp) == Blocks{{Table::holding, 500, 1}, {Table::coil, 3, 1}, {Table::holding, 0, 1}});
}

TEST_CASE("signals that share a register are read once", "[fieldbus][plan]") {
    fleet::RegisterMap map;
    map.dissolved_oxygen = at(Table::holding, 7);
    map.hold = map.fault = at(Table::holding, 8);
    map.fault->bit = 3;
    CHECK(plan(map, tcp) == Blocks{{Table::holding, 7, 2}});
}

TEST_CASE("the plan costs no more than any other way to cut the signals", "[fieldbus][plan]") {
    // Spread so that merging greedily from the left (0, 60, 120) is dearer than leaving the first alone.
    fleet::RegisterMap map;
    map.dissolved_oxygen = at(Table::holding, 0);
    map.temperature = at(Table::holding, 60);
    map.pressure = at(Table::holding, 120);
    map.salinity = at(Table::holding, 126);
    CHECK(plan(map, {70.0, 1.0, 1.0}) == Blocks{{Table::holding, 0, 1}, {Table::holding, 60, 67}});
}

TEST_CASE("a refused block is cut at its holes and nowhere else", "[fieldbus][plan]") {
    fleet::RegisterMap map;
    map.dissolved_oxygen = at(Table::holding, 0, RegisterType::float32);
    map.temperature = at(Table::holding, 2);
    map.pressure = at(Table::holding, 9);
    map.salinity = at(Table::input, 0);
    CHECK(without_holes({Table::holding, 0, 10}, map) ==
          Blocks{{Table::holding, 0, 3}, {Table::holding, 9, 1}});
    CHECK(without_holes({Table::input, 0, 1}, map) == Blocks{{Table::input, 0, 1}});
}

TEST_CASE("serial times agree with the serial line guide", "[fieldbus][timing]") {
    struct Row {
        int baud;
        fleet::Parity parity;
        int stop_bits;
        double character_ms, gap_ms, ten_registers_ms;
    };
    // MODBUS over Serial Line V1.02, 2.5.1: 3.5 characters, above 19200 baud 1.750 ms. The last column is
    // request, gap, answer with ten registers, gap: computed from it.
    Row const rows[] = {{9600, fleet::Parity::none, 1, 1.041667, 3.645833, 41.6667},
                        {9600, fleet::Parity::even, 1, 1.145833, 4.010417, 45.8333},
                        {9600, fleet::Parity::none, 2, 1.145833, 4.010417, 45.8333},
                        {19200, fleet::Parity::none, 1, 0.520833, 1.822917, 20.8333},
                        {19200, fleet::Parity::odd, 1, 0.572917, 2.005208, 22.9167},
                        {38400, fleet::Parity::even, 1, 0.286458, 1.750000, 12.9531},
                        {115200, fleet::Parity::even, 1, 0.095486, 1.750000, 6.6510}};
    for (auto const& row : rows) {
        CAPTURE(row.baud, row.stop_bits);
        auto const timing = timing_of(serial(row.baud, row.parity, row.stop_bits));
        CHECK(ms(timing.character) == Approx(row.character_ms).margin(1e-5));
        CHECK(ms(timing.gap) == Approx(row.gap_ms).margin(1e-5));
        CHECK(ms(timing.frame(request_bytes) + timing.frame(answer_overhead_bytes + 20) + 2 * timing.gap) ==
              Approx(row.ten_registers_ms).margin(1e-4));
    }
}

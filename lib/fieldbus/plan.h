// Which blocks of registers and bits to read so that a probe costs the least time on its line.    (pure)
#pragma once

#include <cstdint>
#include <vector>

#include "fleet/fleet.h"

namespace probekeeper::fieldbus {

// One request: `count` registers (input, holding) or bits (coil, discrete) from `first` on.
struct Block {
    fleet::Table table = fleet::Table::holding;
    std::uint16_t first = 0;  // zero-based, as on the wire
    std::uint16_t count = 0;
    friend bool operator==(Block const&, Block const&) = default;
};

// Whether the whole of `signal` is read with `block`.
[[nodiscard]] bool covers(Block const& block, fleet::Signal const& signal);

// What one answer may carry. Source: MODBUS Application Protocol Specification V1.1b3, sections 6.1 to 6.4.
inline constexpr int registers_per_read = 125;
inline constexpr int bits_per_read = 2000;

// The price of one more request against that of reading on through addresses nobody wants, in any common
// unit.
struct CostModel {
    double request = 0.0;
    double per_register = 0.0;
    double per_bit = 0.0;
};

// RTU, in characters on the wire: a request costs its 8, the answer's 5 and the two silences (3.5 characters
// each; above 19200 baud the fixed 1.750 ms is worth more), a register 2, a bit 1/8. The device's own
// turnaround is not known and not counted, which errs towards fewer surprises in holes. TCP: a request is
// taken to be worth 32 registers. On an Ethernet device it is worth far more (a round trip against 2 bytes),
// but many endpoints are gateways to a serial bus, where it is worth 10 to 30.
[[nodiscard]] CostModel costs_of(fleet::Line const& line);

// The cheapest set of blocks that covers every signal of `map`; of equally cheap ones the one with fewest
// requests. The registers of one signal are never split over two requests, since they must be of one instant.
// The first block is the one with dissolved oxygen; the rest are ordered by table and address.
[[nodiscard]] std::vector<Block> plan(fleet::RegisterMap const& map, CostModel const& costs);

// The signals of `map` that lie in `block`, covered again without reading any address that is not theirs: for
// a device that refuses a read across a hole (exception 02). One block, equal to `block`, where there is no
// hole.
[[nodiscard]] std::vector<Block> without_holes(Block const& block, fleet::RegisterMap const& map);

}  // namespace probekeeper::fieldbus

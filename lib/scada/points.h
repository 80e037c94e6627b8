// The tag list of the Modbus server: what stands where, for whoever sets a SCADA system up.
#pragma once

#include <cstdint>
#include <span>
#include <string>
#include <string_view>
#include <vector>

namespace probekeeper::scada {

enum class PointType : std::uint8_t { bit, uint16, int16, uint32, float32, text };

// One quantity within a block; see deploy/scada/modbus.md.
struct Point {
    std::uint16_t offset = 0;  // of its first register, or of its bit, within the block
    PointType type = PointType::uint16;
    double scale = 1.0;  // the quantity is the number times this
    std::string_view unit, tag, description;
};
[[nodiscard]] std::span<Point const> summary_points();  // of registers 0 to 99 of every unit
[[nodiscard]] std::span<Point const> site_points();
[[nodiscard]] std::span<Point const> probe_points();
// Registers that it takes; 1 of a bit.
[[nodiscard]] std::size_t width_of(PointType type);

struct Numbered {
    std::int64_t number = 0;  // as in layout.h
    std::string id;
};

// CSV with a header row: tag, modbus_unit, table ("holding" or "discrete"; input registers and coils are the
// same), address from 0, type, scale, unit, writable, description. Tags are "ID.quantity". Rows in the order
// of the addresses as they stand in the lists.
[[nodiscard]] std::string points_csv(std::vector<Numbered> const& sites, std::vector<Numbered> const& probes,
                                     bool seen_can_be_written);

}  // namespace probekeeper::scada

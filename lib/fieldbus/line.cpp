#include "fieldbus/line.h"

#include <cassert>

#include "fieldbus/wire.h"

namespace probekeeper::fieldbus {

Line::Line(fleet::Line const& line)
    : wire_{line.transport == fleet::Transport::tcp ? make_tcp_wire(line) : make_serial_wire(line)} {}

Line::~Line() = default;

LinkResult<void> Line::open() {
    return wire_->open();
}

void Line::close() noexcept {
    wire_->close();
}

bool Line::usable() {
    return wire_->usable();
}

bool Line::is_open() const noexcept {
    return wire_->is_open();
}

LinkResult<std::chrono::microseconds> Line::read(int unit, Block const& block,
                                                 std::vector<std::uint16_t>& out) {
    assert(is_open());
    assert(block.count >= 1 &&
           block.count <= (block.table == fleet::Table::coil || block.table == fleet::Table::discrete
                               ? bits_per_read
                               : registers_per_read));
    return wire_->read(static_cast<std::uint8_t>(unit), block, out);
}

}  // namespace probekeeper::fieldbus

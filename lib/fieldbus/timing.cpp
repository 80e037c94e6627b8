#include "fieldbus/timing.h"

namespace probekeeper::fieldbus {
namespace {

constexpr int fastest_baud_with_counted_gap = 19'200;
constexpr Nanos fixed_gap = std::chrono::microseconds{1750};

}  // namespace

SerialTiming timing_of(fleet::Line const& line) {
    int const bits = 1 + line.data_bits + (line.parity == fleet::Parity::none ? 0 : 1) + line.stop_bits;
    // Rounded up: a gap that is a nanosecond short is not legal.
    Nanos const character{(bits * 1'000'000'000L + line.baud - 1) / line.baud};
    bool const counted = line.baud <= fastest_baud_with_counted_gap;
    return {character, counted ? character * 7 / 2 + Nanos{1} : fixed_gap};
}

}  // namespace probekeeper::fieldbus

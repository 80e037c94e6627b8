// Reals as integers in the order of the values: 1 from each to the next of the same precision. Any value
// comes back bit for bit. Private to this room.
#pragma once

#include <bit>
#include <cstdint>
#include <limits>

namespace probekeeper::store {

// `single`: `v` is a float, widened.
[[nodiscard]] inline std::int64_t ordered(double v, bool single) {
    if (single) {
        auto const bits = std::bit_cast<std::int32_t>(static_cast<float>(v));
        return bits >= 0 ? bits : bits ^ 0x7FFFFFFF;
    }
    auto const bits = std::bit_cast<std::int64_t>(v);
    return bits >= 0 ? bits : bits ^ std::numeric_limits<std::int64_t>::max();
}

[[nodiscard]] inline double real_of(std::int64_t ordered_bits, bool single) {
    if (single) {
        auto const bits = static_cast<std::int32_t>(ordered_bits);
        return double{std::bit_cast<float>(bits >= 0 ? bits : bits ^ 0x7FFFFFFF)};
    }
    return std::bit_cast<double>(ordered_bits >= 0 ? ordered_bits
                                                   : ordered_bits ^ std::numeric_limits<std::int64_t>::max());
}

// From `v` to the next number above it of the same precision.
[[nodiscard]] inline double precision_at(double v, bool single) {
    return real_of(ordered(v, single) + 1, single) - v;
}

}  // namespace probekeeper::store

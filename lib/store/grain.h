// What a column of reals is multiples of. Private to this room.
#pragma once

#include <bit>
#include <cmath>
#include <cstdint>
#include <optional>
#include <span>

namespace probekeeper::store {

// k * by, as registers are scaled, or k / by, as text is read; in single precision as a device computes it.
struct Grain {
    enum class Kind { times, over } kind = Kind::times;
    bool single = false;
    double by = 1.0;

    [[nodiscard]] double size() const { return kind == Kind::times ? by : 1.0 / by; }
    [[nodiscard]] double real(std::int64_t k) const {
        if (!single) {
            auto const r = static_cast<double>(k);
            return kind == Kind::times ? r * by : r / by;
        }
        // Multiplied by the grain as a float; divided and then rounded, which is the float next to the
        // decimal.
        return double{kind == Kind::times ? static_cast<float>(k) * static_cast<float>(by)
                                          : static_cast<float>(static_cast<double>(k) / by)};
    }
    // The k that gives `v` back bit for bit.
    [[nodiscard]] std::optional<std::int64_t> whole(double v) const {
        double const k = kind == Kind::times ? v / by : v * by;
        if (!(std::abs(k) < 1e12)) {
            return std::nullopt;
        }
        auto const n = std::llrint(k);
        return std::bit_cast<std::uint64_t>(real(n)) == std::bit_cast<std::uint64_t>(v)
                   ? std::optional<std::int64_t>{n}
                   : std::nullopt;
    }
};

// Whether a float, widened.
[[nodiscard]] inline bool is_single(double v) {
    return std::bit_cast<std::uint64_t>(static_cast<double>(static_cast<float>(v))) ==
           std::bit_cast<std::uint64_t>(v);
}

// The coarsest of the usual decimal and binary grains of which all `values` are multiples. None are NaN.
[[nodiscard]] std::optional<Grain> usual_grain(std::span<double const> values);
// The same of floats (is_single), in single precision.
[[nodiscard]] std::optional<Grain> usual_single_grain(std::span<double const> values);
// The largest grain at all of which they are multiples exactly, where it is coarser than their own precision:
// what a converter of so many bits gives, times a power of two or a short factor.
[[nodiscard]] std::optional<Grain> exact_grain(std::span<double const> values, bool single);

}  // namespace probekeeper::store

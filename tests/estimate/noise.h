// Seeded noise that is the same on every machine: the standard's normal distribution is not.
#pragma once

#include <cstdint>
#include <random>

#include "estimate/normal.h"

namespace probekeeper::estimate {

class Noise {
public:
    explicit Noise(std::uint64_t seed) : bits_{seed} {}
    // Standard normal.
    [[nodiscard]] double next() {
        double const part = (static_cast<double>(bits_() >> 11) + 0.5) * 0x1p-53;
        return normal_quantile(part);
    }

private:
    std::mt19937_64 bits_;
};

}  // namespace probekeeper::estimate

// Chance that is the same everywhere.
#pragma once

#include <cstdint>

namespace probekeeper::rounds {

class Random {
public:
    explicit Random(std::uint64_t seed) : state_{seed} {}

    // SplitMix64: Steele, Lea and Flood (2014), OOPSLA, 453-472 (constants from memory).
    std::uint64_t bits() {
        state_ += 0x9e3779b97f4a7c15U;
        auto z = state_;
        z = (z ^ (z >> 30U)) * 0xbf58476d1ce4e5b9U;
        z = (z ^ (z >> 27U)) * 0x94d049bb133111ebU;
        return z ^ (z >> 31U);
    }

    // 0 .. below-1, as even as 32 bits make it.
    std::uint32_t below(std::uint32_t below) {
        return static_cast<std::uint32_t>(((bits() >> 32U) * below) >> 32U);
    }
    bool one_in(std::uint32_t n) { return below(n) == 0; }

    // [0, 1)
    double unit() { return static_cast<double>(bits() >> 11U) * 0x1p-53; }

    // Exponential with mean 1 by von Neumann's comparisons of even chances: no logarithm, whose last bit
    // differs between machines.
    double exponential() {
        for (double whole = 0.0;; whole += 1.0) {
            double const first = unit();
            double last = first;
            bool odd = true;
            double next = unit();
            while (next < last) {
                last = next;
                odd = !odd;
                next = unit();
            }
            if (odd) {
                return whole + first;
            }
        }
    }

private:
    std::uint64_t state_;
};

}  // namespace probekeeper::rounds

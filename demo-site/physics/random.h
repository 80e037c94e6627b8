// Random numbers that are the same on every machine and library: the standard distributions are not.
#pragma once

#include <array>
#include <cstdint>

namespace probekeeper::physics {

// xoshiro256++ (Blackman and Vigna 2019), seeded through splitmix64. Copying copies the place in the stream.
class Random {
public:
    explicit Random(std::uint64_t seed);

    [[nodiscard]] std::uint64_t bits();
    [[nodiscard]] double uniform();                             // [0, 1)
    [[nodiscard]] double uniform(double low, double high);      // [low, high)
    [[nodiscard]] double log_uniform(double low, double high);  // evenly on a logarithmic scale; both > 0
    [[nodiscard]] double normal();                              // mean 0, standard deviation 1
    [[nodiscard]] int whole(int low, int high);                 // low and high both possible
    [[nodiscard]] bool chance(double probability);

    // A stream of its own for `purpose`, without moving this one: what one part draws changes no other part.
    [[nodiscard]] Random fork(std::uint64_t purpose) const;

private:
    std::array<std::uint64_t, 4> state_{};
    double spare_ = 0.0;
    bool has_spare_ = false;
};

// A quantity that wanders about zero with standard deviation `sd` and forgets over `memory_s`
// (Ornstein-Uhlenbeck, discretised exactly, so that the step does not change its statistics).
class Wander {
public:
    Wander(double sd, double memory_s) : sd_{sd}, memory_s_{memory_s} {}
    double step(double dt_s, Random& random);
    [[nodiscard]] double value() const { return value_; }

private:
    double sd_, memory_s_;
    double value_ = 0.0;
    double keep_ = 0.0, kick_ = 0.0, for_dt_s_ = -1.0;  // of the last step length, which seldom changes
};

}  // namespace probekeeper::physics

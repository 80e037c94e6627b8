#include "physics/random.h"

#include <bit>
#include <cmath>
#include <numbers>

namespace probekeeper::physics {
namespace {

std::uint64_t split_mix(std::uint64_t& state) {
    state += 0x9e3779b97f4a7c15ULL;
    std::uint64_t z = state;
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9ULL;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebULL;
    return z ^ (z >> 31);
}

}  // namespace

Random::Random(std::uint64_t seed) {
    for (auto& word : state_) {
        word = split_mix(seed);
    }
}

std::uint64_t Random::bits() {
    std::uint64_t const result = std::rotl(state_[0] + state_[3], 23) + state_[0];
    std::uint64_t const t = state_[1] << 17;
    state_[2] ^= state_[0];
    state_[3] ^= state_[1];
    state_[1] ^= state_[2];
    state_[0] ^= state_[3];
    state_[2] ^= t;
    state_[3] = std::rotl(state_[3], 45);
    return result;
}

double Random::uniform() {
    return static_cast<double>(bits() >> 11) * 0x1.0p-53;
}

double Random::uniform(double low, double high) {
    return low + (high - low) * uniform();
}

double Random::log_uniform(double low, double high) {
    return std::exp(uniform(std::log(low), std::log(high)));
}

double Random::normal() {
    if (has_spare_) {
        has_spare_ = false;
        return spare_;
    }
    double const radius = std::sqrt(-2.0 * std::log(1.0 - uniform()));
    double const angle = 2.0 * std::numbers::pi * uniform();
    spare_ = radius * std::sin(angle);
    has_spare_ = true;
    return radius * std::cos(angle);
}

int Random::whole(int low, int high) {
    return low + static_cast<int>(uniform() * (high - low + 1));
}

bool Random::chance(double probability) {
    return uniform() < probability;
}

Random Random::fork(std::uint64_t purpose) const {
    std::uint64_t mixed = state_[0] ^ std::rotl(state_[2], 31);
    return Random{split_mix(mixed) ^ split_mix(purpose)};
}

double Wander::step(double dt_s, Random& random) {
    if (dt_s != for_dt_s_) {
        for_dt_s_ = dt_s;
        keep_ = std::exp(-dt_s / memory_s_);
        kick_ = sd_ * std::sqrt(1.0 - keep_ * keep_);
    }
    value_ = keep_ * value_ + kick_ * random.normal();
    return value_;
}

}  // namespace probekeeper::physics

// The newest readings of one probe, as many as a response test needs. Trivially copyable, as all of a probe's
// state is: a checkpoint is its bytes.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>

#include "base/time.h"

namespace probekeeper::diagnosis {

// A ring of fixed capacity; pushing onto a full one drops the oldest. Index 0 is the oldest kept.
template <typename T, std::size_t Capacity>
class Ring {
public:
    void push(T const& value) {
        items_[(first_ + size_) % Capacity] = value;
        if (size_ < Capacity) {
            ++size_;
        } else {
            first_ = static_cast<std::uint32_t>((first_ + 1) % Capacity);
        }
    }
    void drop_back() { --size_; }
    void clear() { first_ = size_ = 0; }
    [[nodiscard]] std::size_t size() const { return size_; }
    [[nodiscard]] bool empty() const { return size_ == 0; }
    template <typename Change>
    void change_all(Change const& change) {
        for (std::size_t i = 0; i < size_; ++i) {
            change(items_[(first_ + i) % Capacity]);
        }
    }
    [[nodiscard]] T const& operator[](std::size_t i) const { return items_[(first_ + i) % Capacity]; }
    [[nodiscard]] T const& back() const { return (*this)[size_ - 1]; }
    [[nodiscard]] T const& from_back(std::size_t i) const { return (*this)[size_ - 1 - i]; }
    static constexpr std::size_t capacity() { return Capacity; }

private:
    std::array<T, Capacity> items_{};
    std::uint32_t first_ = 0;
    std::uint32_t size_ = 0;
};

struct Sample {
    std::int64_t time_ms = 0;
    float value = 0.0F;          // mg/L, or its stand-in (see probe.cpp)
    float temperature_c = 0.0F;  // NaN where not read
};

// 400 samples at the spacing of `sample_spacing`: several response times even of a very slow probe.
using Samples = Ring<Sample, 400>;

}  // namespace probekeeper::diagnosis

// Bits that no coder can shorten, packed as they are, apart from what can be compressed: between compressible
// bytes they would spoil the statistics of both. Private to this room.
#pragma once

#include "store/bytes.h"

namespace probekeeper::store {

inline constexpr unsigned noise_bits_most = 48;

class NoiseWriter {
public:
    // The lowest `bits` (1 to noise_bits_most) of each value, to whole bytes.
    void write(std::span<std::int64_t const> values, unsigned bits) {
        auto const mask = (std::uint64_t{1} << bits) - 1;
        std::uint64_t held = 0;
        unsigned count = 0;  // below 8 before each value, so that a value always fits
        for (auto const v : values) {
            held |= (static_cast<std::uint64_t>(v) & mask) << count;
            for (count += bits; count >= 8; count -= 8, held >>= 8) {
                bytes_.push_back(static_cast<std::byte>(held));
            }
        }
        if (count > 0) {
            bytes_.push_back(static_cast<std::byte>(held));
        }
    }
    [[nodiscard]] Bytes const& bytes() const { return bytes_; }

private:
    Bytes bytes_;
};

class NoiseReader {
public:
    explicit NoiseReader(std::span<std::byte const> from) : in_{from} {}
    // Puts the next bits below those of `values`. Refuses what is damaged.
    void read(std::span<std::int64_t> values, unsigned bits) {
        if (bits == 0 || bits > noise_bits_most) {
            refuse(Fault::corrupt, "a block of readings is damaged: put a backup in the store's place");
        }
        auto const packed = in_.bytes((values.size() * bits + 7) / 8);
        auto const mask = (std::uint64_t{1} << bits) - 1;
        std::uint64_t held = 0;
        unsigned count = 0;
        std::size_t at = 0;
        for (auto& v : values) {
            for (; count < bits; count += 8) {
                held |= static_cast<std::uint64_t>(packed[at++]) << count;
            }
            v = static_cast<std::int64_t>(static_cast<std::uint64_t>(v) << bits | (held & mask));
            held >>= bits;
            count -= bits;
        }
    }

private:
    ByteReader in_;
};

}  // namespace probekeeper::store

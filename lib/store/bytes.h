// Bytes of the densely stored readings, least significant first. Private to this room.
#pragma once

#include <bit>
#include <cstddef>
#include <cstdint>
#include <cstring>
#include <span>
#include <vector>

#include "store/sqlite.h"

namespace probekeeper::store {

using Bytes = std::vector<std::byte>;

[[nodiscard]] inline std::uint64_t zigzag(std::int64_t v) {
    return (static_cast<std::uint64_t>(v) << 1) ^ static_cast<std::uint64_t>(v >> 63);
}
[[nodiscard]] inline std::int64_t unzigzag(std::uint64_t v) {
    return static_cast<std::int64_t>(v >> 1) ^ -static_cast<std::int64_t>(v & 1);
}

// Sums, differences and products that wrap: what is read back may be damaged, and must not be undefined for
// it.
[[nodiscard]] inline std::int64_t wrapped_sum(std::int64_t a, std::int64_t b) {
    return static_cast<std::int64_t>(static_cast<std::uint64_t>(a) + static_cast<std::uint64_t>(b));
}
[[nodiscard]] inline std::int64_t wrapped_difference(std::int64_t a, std::int64_t b) {
    return static_cast<std::int64_t>(static_cast<std::uint64_t>(a) - static_cast<std::uint64_t>(b));
}
[[nodiscard]] inline std::int64_t wrapped_product(std::int64_t a, std::int64_t b) {
    return static_cast<std::int64_t>(static_cast<std::uint64_t>(a) * static_cast<std::uint64_t>(b));
}

class ByteWriter {
public:
    explicit ByteWriter(Bytes& out) : out_{out} {}

    void byte(std::uint8_t v) { out_.push_back(static_cast<std::byte>(v)); }
    template <typename T>
    void fixed(T v) {
        static_assert(std::is_trivially_copyable_v<T> && std::endian::native == std::endian::little);
        auto const at = out_.size();
        out_.resize(at + sizeof v);
        std::memcpy(out_.data() + at, &v, sizeof v);
    }
    // 7 bits a byte: small numbers take one.
    void number(std::uint64_t v) {
        for (; v >= 0x80; v >>= 7) {
            byte(static_cast<std::uint8_t>(v | 0x80));
        }
        byte(static_cast<std::uint8_t>(v));
    }
    void signed_number(std::int64_t v) { number(zigzag(v)); }
    // Room for `size` bytes, to be filled before the next call.
    [[nodiscard]] std::byte* room(std::size_t size) {
        out_.resize(out_.size() + size);
        return out_.data() + out_.size() - size;
    }
    [[nodiscard]] std::size_t size() const { return out_.size(); }

private:
    Bytes& out_;
};

// Refuses (Fault::corrupt) to read beyond the end.
class ByteReader {
public:
    explicit ByteReader(std::span<std::byte const> from) : left_{from} {}

    [[nodiscard]] std::span<std::byte const> bytes(std::size_t size) {
        if (size > left_.size()) {
            refuse(Fault::corrupt, "stored readings end too early: put a backup in the store's place");
        }
        auto const taken = left_.first(size);
        left_ = left_.subspan(size);
        return taken;
    }
    template <typename T>
    [[nodiscard]] T fixed() {
        T v;
        std::memcpy(&v, bytes(sizeof v).data(), sizeof v);
        return v;
    }
    [[nodiscard]] std::uint8_t byte() { return fixed<std::uint8_t>(); }
    [[nodiscard]] std::uint64_t number() {
        std::uint64_t v = 0;
        for (unsigned shift = 0; shift < 64; shift += 7) {
            auto const b = byte();
            v |= static_cast<std::uint64_t>(b & 0x7F) << shift;
            if (b < 0x80) {
                break;
            }
        }
        return v;
    }
    [[nodiscard]] std::int64_t signed_number() { return unzigzag(number()); }
    [[nodiscard]] bool empty() const { return left_.empty(); }

private:
    std::span<std::byte const> left_;
};

}  // namespace probekeeper::store

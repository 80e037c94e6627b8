// Dense forms of this room, compressed with zstd as one frame. Private to this room.
#pragma once

#include <span>

#include "store/bytes.h"

namespace probekeeper::store {

// `head` and `tail` come back as one, but have statistics of their own: where `head` is noise, it costs
// itself and does not spoil what is found in `tail`.
[[nodiscard]] Bytes compressed(std::span<std::byte const> head, std::span<std::byte const> tail);
[[nodiscard]] Bytes compressed(std::span<std::byte const> plain);
// Refuses (Fault::corrupt) what is damaged.
[[nodiscard]] Bytes decompressed(std::span<std::byte const> data);

}  // namespace probekeeper::store

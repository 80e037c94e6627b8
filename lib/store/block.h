// Readings of one probe as one blob: columns (columns.h), compressed with zstd. What comes back is what was
// given, bit for bit. Private to this room.
#pragma once

#include <span>
#include <vector>

#include "base/reading.h"
#include "store/bytes.h"
#include "store/summary.h"
#include "store/values.h"

namespace probekeeper::store {

// A block is read and written as a whole: more readings are denser, fewer cost less to look into.
inline constexpr std::size_t block_most = 1536;  // where nothing is known of how many fill pages (page_fit.h)
inline constexpr std::size_t block_largest = 2048;  // and what is read at most

struct Block {
    Timestamp first{}, last{};
    std::size_t count = 0;
    Bytes hours;  // a summary for each hour that the block touches, of its own readings only; or none, of
                  // slow polls
    Bytes data;
};

// `readings` in order of time, each time once, at least one. `water` serves to leave out what can be worked
// out.
[[nodiscard]] Block make_block(std::span<Reading const> readings, WaterOfProbe const& water);
// Appends the block's readings of [from, until) to `to`.
void read_block(std::span<std::byte const> data, Timestamp from, Timestamp until, std::vector<Reading>& to);
[[nodiscard]] std::vector<Summary> read_hours(std::span<std::byte const> hours);

}  // namespace probekeeper::store

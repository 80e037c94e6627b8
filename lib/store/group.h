// The newest readings, as one commit brought them: one blob of all its probes' readings, quick to write. Once
// there are many, compaction sorts them into blocks (blocks.h). Private to this room.
#pragma once

#include <functional>
#include <span>
#include <vector>

#include "store/bytes.h"
#include "store/values.h"

namespace probekeeper::store {

// `readings` by probe; within a probe in any order.
[[nodiscard]] Bytes make_group(std::span<ProbeReading const* const> readings);
// Appends those of `probe` with from <= time < until to `to`, in the order in which they were given.
void read_group(std::span<std::byte const> data, ProbeKey probe, Timestamp from, Timestamp until,
                std::vector<Reading>& to);
void for_each_in_group(std::span<std::byte const> data,
                       std::function<void(ProbeKey, std::span<Reading const>)> const& take);

}  // namespace probekeeper::store

// Minute summaries of readings that have expired: what is left of them after keep_raw_days. A minute that is
// here and readings of the same minute that are still there add up to the whole. Private to this room.
#pragma once

#include <functional>
#include <span>

#include "store/sqlite.h"
#include "store/summary.h"
#include "store/values.h"

namespace probekeeper::store {

// `minutes` in order of time, each minute once, as one blob.
[[nodiscard]] Bytes make_minutes(std::span<Summary const> minutes);
[[nodiscard]] std::vector<Summary> read_minutes(std::span<std::byte const> data);

// Must run inside a transaction of the caller's.
class MinuteKeeper {
public:
    explicit MinuteKeeper(Database& db) : db_{db} {}

    // In order of time; where a minute is there already, it is added to it.
    void add(ProbeKey probe, std::span<Summary const> minutes);
    void add_expired(ProbeKey probe, std::span<Reading const> readings);
    // Deletes the oldest minutes that start before `before`; true while some are left.
    [[nodiscard]] bool expire(ProbeKey probe, Timestamp before, std::size_t most);

private:
    void write(ProbeKey probe, std::span<Summary const> minutes);

    Database& db_;
};

// Gives the minutes of [from, until) in order to `take` until it returns false.
void for_each_minute(Database& db, ProbeKey probe, Timestamp from, Timestamp until,
                     std::function<bool(Summary const&)> const& take);

}  // namespace probekeeper::store

// Minute summaries: what is left of readings after keep_raw_days, and what long charts are drawn from.
//
// Each probe has at most one open minute in memory. It is added to the stored minute when the probe moves on,
// or when the store's newest reading has left it behind; a late reading is added to its stored minute at
// once. So the table together with the open minutes always equals the readings, and `minutes_unsettled`,
// written in the same transaction, says from where on the table alone does not: a start after a crash makes
// exactly these again.
#pragma once

#include <array>
#include <functional>
#include <limits>
#include <optional>
#include <vector>

#include "base/reading.h"
#include "store/sqlite.h"
#include "store/values.h"

namespace probekeeper::store {

inline constexpr Millis minute{60'000};
// The start of the step of length `step` that holds `t`; steps are counted from 1970-01-01T00:00:00Z.
[[nodiscard]] Timestamp step_start(Timestamp t, Millis step);

struct Tally {
    std::int64_t count = 0;
    double min = 0.0, sum = 0.0, max = 0.0;
    void add(double value);
    void add(Tally const& other);
};

// What is known of the readings of one stretch of time. Adding is exact but for the rounding of the sums.
struct Summary {
    Timestamp start{};
    std::int64_t count = 0;
    std::uint16_t marks = 0;
    std::array<Tally, quantity_count> tallies{};
    void add(Reading const& reading);
    void add(Summary const& other);
    [[nodiscard]] Step step() const;
};

// Must run inside a transaction of the caller's; after a rollback call load() before the next add().
class MinuteKeeper {
public:
    explicit MinuteKeeper(Database& db) : db_{db} {}

    // Makes the unsettled minutes again from the readings of `probes`.
    void load(std::vector<ProbeKey> const& probes);
    void add(ProbeReading const& reading);
    // To be called before each commit with the time of the store's newest reading.
    void settle(Timestamp newest);
    [[nodiscard]] bool expire(ProbeKey probe, Timestamp before, std::size_t most);

private:
    struct Open {
        bool used = false;
        Summary summary;
    };
    void keep(ProbeKey probe, Summary const& summary);
    void note_unsettled(std::optional<Timestamp> from);

    Database& db_;
    std::vector<Open> open_;  // by probe key: keys are given without gaps from 1
    std::optional<Timestamp> noted_;
};

// From where on `minutes` is not yet complete; empty where it is complete.
[[nodiscard]] std::optional<Timestamp> unsettled_from(Database& db);
// Gives the stored minutes of [from, until) in order to `take` until it returns false.
void for_each_minute(Database& db, ProbeKey probe, Timestamp from, Timestamp until,
                     std::function<bool(Summary const&)> const& take);

}  // namespace probekeeper::store

// The full-rate readings. Everything that knows how they lie in the file is in readings.cpp, so that rows can
// become something denser without the rest of the room noticing.
#pragma once

#include <functional>
#include <optional>

#include "base/reading.h"
#include "store/sqlite.h"
#include "store/values.h"

namespace probekeeper::store {

// Must run inside a transaction of the caller's.
class ReadingsWriter {
public:
    explicit ReadingsWriter(Database& db) : db_{db} {}

    // False where the probe already has a reading of that time: the stored one stays.
    [[nodiscard]] bool add(ProbeReading const& reading);
    // Deletes the oldest readings of `probe` before `before`, about `most` of them; true while some are left.
    [[nodiscard]] bool expire(ProbeKey probe, Timestamp before, std::size_t most);

private:
    Database& db_;
    sqlite3_stmt* insert_ = nullptr;  // prepared at the first reading
};

// Readings of one probe in order of time, from the first at or after `from` up to but without `until`. They
// are fetched in chunks and no transaction is held between chunks: a slow consumer must not keep the log from
// being checkpointed. A reading that arrives while the cursor stands before it is met; one behind it is not.
class ReadingsCursor {
public:
    ReadingsCursor(Database& db, ProbeKey probe, Timestamp from, Timestamp until, std::size_t chunk);
    // The reading at the cursor, or null at the end; valid until advance().
    [[nodiscard]] Reading const* peek();
    void advance() { ++next_; }

private:
    void refill();

    Database* db_;
    ProbeKey probe_;
    Timestamp from_, until_;
    std::size_t chunk_;
    std::vector<Reading> buffer_;
    std::size_t next_ = 0;
    bool ended_ = false;
};

[[nodiscard]] std::optional<Reading> newest_reading(Database& db, ProbeKey probe);
[[nodiscard]] std::vector<Reading> read_readings(Database& db, ProbeKey probe, Timestamp from,
                                                 Timestamp until, std::size_t limit);
[[nodiscard]] bool has_readings_before(Database& db, ProbeKey probe, Timestamp before);

}  // namespace probekeeper::store

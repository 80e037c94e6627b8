// The full-rate readings. The newest lie as they came, a group a commit (group.h): writing them is quick and
// they are as safe as their commit. From time to time compaction moves them into blocks of one probe each
// (blocks.h), which take a tenth of the room and are quick to read; it is one transaction, so a reading is
// always in one of the two, never in both. Private to this room.
#pragma once

#include <functional>
#include <optional>
#include <span>
#include <vector>

#include "base/reading.h"
#include "store/blocks.h"
#include "store/sqlite.h"
#include "store/values.h"

namespace probekeeper::store {

// Must run inside a transaction of the caller's; after a rollback call load() before anything else.
class ReadingsWriter {
public:
    explicit ReadingsWriter(Database& db) : db_{db}, blocks_{db} {}

    // Reads what memory must know. `waters` by probe key, for all probes that are enrolled.
    void load(std::vector<WaterOfProbe> waters);
    // Where the probe already has a reading of that time, the stored one stays. Readings before
    // `expired_before` are not taken.
    [[nodiscard]] Appended add(std::span<ProbeReading const> given, std::optional<Timestamp> expired_before);
    // All groups into blocks.
    void compact();
    void compact_before(Timestamp before);  // where a group holds readings before that
    [[nodiscard]] BlockWriter::Expired expire(ProbeKey probe, Timestamp before, std::size_t most);
    [[nodiscard]] std::optional<Timestamp> newest() const;

private:
    [[nodiscard]] std::size_t place_of(ProbeKey probe) const;
    void sort_by_probe(std::span<ProbeReading const> given);
    void take_late(std::span<ProbeReading const*> late, std::size_t already_kept, Appended& done);
    void write_group();

    Database& db_;
    BlockWriter blocks_;
    std::vector<WaterOfProbe> waters_;      // by probe key: keys are given without gaps from 1
    std::vector<Timestamp> newest_;         // by probe key; Timestamp::min() where there is none
    std::size_t grouped_ = 0, groups_ = 0;  // readings in groups, and how many groups

    // Room for one call, kept to spare allocations.
    std::vector<std::uint32_t> counts_;
    std::vector<ProbeReading const*> sorted_, kept_, late_;
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
// See Reader::newest_before.
[[nodiscard]] std::optional<Timestamp> newest_before(Database& db, Timestamp before);
[[nodiscard]] std::vector<Reading> read_readings(Database& db, ProbeKey probe, Timestamp from,
                                                 Timestamp until, std::size_t limit);
// Adds up the readings of [from, until) in order of time. `whole` takes an hour's summary where `fits` allows
// it for that hour, `single` the readings elsewhere; either ends the walk by false.
struct SummaryTaker {
    std::function<bool(Timestamp hour_start)> fits;
    std::function<bool(Summary const&)> whole;
    std::function<bool(Reading const&)> single;
};
void sum_up_readings(Database& db, ProbeKey probe, Timestamp from, Timestamp until,
                     SummaryTaker const& taker);

}  // namespace probekeeper::store

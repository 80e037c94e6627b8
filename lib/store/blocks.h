// The table of blocks. Blocks of one probe never overlap in time. Private to this room.
#pragma once

#include <functional>
#include <optional>
#include <span>
#include <vector>

#include "store/block.h"
#include "store/sqlite.h"
#include "store/values.h"

namespace probekeeper::store {

// Must run inside a transaction of the caller's.
class BlockWriter {
public:
    explicit BlockWriter(Database& db) : db_{db} {}

    // Joins `readings`, in order of time and none of them stored yet, with the blocks of `probe`. Where they
    // follow behind all, small blocks are joined with them, the smaller the sooner: then a reading is written
    // again as often as the logarithm of how many pieces a block came in.
    void add(ProbeKey probe, std::span<Reading const> readings, WaterOfProbe const& water);
    // The same for many probes, one call each. Blocks that are not full, and so will be written again, go to
    // `rests`, to be written together at the end: between full blocks they would leave half empty pages
    // behind.
    using Rests = std::vector<std::pair<ProbeKey, Block>>;
    void add(ProbeKey probe, std::span<Reading const> readings, WaterOfProbe const& water, Rests& rests);
    void write(Rests const& rests);

    struct Expired {
        std::vector<Reading> readings;  // what was deleted, in order
        bool left = false;              // more of the kind is there
    };
    // Deletes the oldest readings of `probe` before `before`, about `most` of them.
    [[nodiscard]] Expired expire(ProbeKey probe, Timestamp before, std::size_t most,
                                 WaterOfProbe const& water);

private:
    struct Row {
        std::int64_t key = 0;
        Timestamp first{}, last{};
        std::size_t count = 0;
    };
    [[nodiscard]] std::optional<Row> last_from(ProbeKey probe, Timestamp at_or_before);
    [[nodiscard]] std::optional<Timestamp> first_after(ProbeKey probe, Timestamp time);
    void join(ProbeKey probe, std::span<Reading const> readings, bool behind_all, WaterOfProbe const& water,
              Rests& rests);
    void write(ProbeKey probe, Block const& block);
    [[nodiscard]] std::vector<Reading> take(std::int64_t block);  // out of the table
    [[nodiscard]] std::size_t& full_block(ProbeKey probe);
    [[nodiscard]] Block make_full_block(ProbeKey probe, std::span<Reading const> readings,
                                        WaterOfProbe const& water);

    Database& db_;
    std::vector<std::size_t> full_blocks_;  // by probe: how many readings fill pages, by its last full block
};

// Blocks of `probe` that may hold readings of [from, until), in order, until `take` returns false. The spans
// are valid during the call.
struct BlockView {
    Timestamp first{}, last{};
    std::span<std::byte const> hours;
    Query* row = nullptr;
    [[nodiscard]] std::span<std::byte const> data() const {
        return row->bytes();
    }  // to be called once at most
};
void for_each_block(Database& db, ProbeKey probe, Timestamp from, Timestamp until,
                    std::function<bool(BlockView const&)> const& take);
[[nodiscard]] std::optional<Timestamp> newest_in_blocks(Database& db, ProbeKey probe);

}  // namespace probekeeper::store

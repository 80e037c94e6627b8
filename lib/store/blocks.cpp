#include "store/blocks.h"

#include <algorithm>

#include "store/page_fit.h"

namespace probekeeper::store {

namespace {

constexpr Timestamp beginning_of_time = Timestamp::min();
constexpr Timestamp end_of_time = Timestamp::max();

constexpr std::size_t row_beside = 30;  // bytes of a row that are neither hours nor data, about
constexpr std::size_t block_least = 1024;
constexpr double filled_least = 0.85;  // else a block is made again, smaller

}  // namespace

std::optional<BlockWriter::Row> BlockWriter::last_from(ProbeKey probe, Timestamp at_or_before) {
    Query query{db_,
                "SELECT block_key, first_ms, last_ms, count FROM blocks WHERE probe_key = ? AND first_ms <= ?"
                " ORDER BY first_ms DESC LIMIT 1",
                probe, at_or_before};
    if (!query.row()) {
        return std::nullopt;
    }
    Row row;
    row.key = query.integer();
    row.first = query.time();
    row.last = query.time();
    row.count = static_cast<std::size_t>(query.integer());
    return row;
}

std::optional<Timestamp> BlockWriter::first_after(ProbeKey probe, Timestamp time) {
    Query query{db_,
                "SELECT first_ms FROM blocks WHERE probe_key = ? AND first_ms > ? ORDER BY first_ms LIMIT 1",
                probe, time};
    return query.row() ? std::optional{query.time()} : std::nullopt;
}

std::vector<Reading> BlockWriter::take(std::int64_t block) {
    std::vector<Reading> readings;
    {
        Query query{db_, "SELECT data FROM blocks WHERE block_key = ?", block};
        if (query.row()) {
            read_block(query.bytes(), beginning_of_time, end_of_time, readings);
        }
    }
    Query{db_, "DELETE FROM blocks WHERE block_key = ?", block}.run();
    return readings;
}

void BlockWriter::write(ProbeKey probe, Block const& block) {
    Query{db_,
          "INSERT INTO blocks (probe_key, first_ms, last_ms, count, hours, data) VALUES (?,?,?,?,?,?)",
          probe,
          block.first,
          block.last,
          block.count,
          std::span{block.hours},
          std::span{block.data}}
        .run();
}

void BlockWriter::add(ProbeKey probe, std::span<Reading const> readings, WaterOfProbe const& water) {
    Rests rests;
    add(probe, readings, water, rests);
    write(rests);
}

void BlockWriter::write(Rests const& rests) {
    for (auto const& [probe, block] : rests) {
        write(probe, block);
    }
}

void BlockWriter::add(ProbeKey probe, std::span<Reading const> readings, WaterOfProbe const& water,
                      Rests& rests) {
    while (!readings.empty()) {
        auto const next = first_after(probe, readings.front().time);
        auto const end = next ? std::partition_point(readings.begin(), readings.end(),
                                                     [&](Reading const& r) { return r.time < *next; })
                              : readings.end();
        auto const part = readings.first(static_cast<std::size_t>(end - readings.begin()));
        join(probe, part, !next, water, rests);
        readings = readings.subspan(part.size());
    }
}

void BlockWriter::join(ProbeKey probe, std::span<Reading const> given, bool behind_all,
                       WaterOfProbe const& water, Rests& rests) {
    std::vector<Reading> joined;
    auto all = given;
    auto before = last_from(probe, given.front().time);
    auto const nearly_full = full_block(probe) - full_block(probe) / 8;
    // One that is not full is filled; where a full block's worth is at hand already, no more than one, or all
    // pieces of one size before it would be written again each time.
    auto const to_be_filled = [&] {
        return before->count < nearly_full && before->count <= 2 * all.size() &&
               (joined.empty() || all.size() < nearly_full);
    };
    while (before && (before->last >= all.front().time || to_be_filled())) {
        auto merged = take(before->key);
        auto const middle = static_cast<std::ptrdiff_t>(merged.size());
        merged.insert(merged.end(), all.begin(), all.end());
        std::inplace_merge(merged.begin(), merged.begin() + middle, merged.end(),
                           [](Reading const& a, Reading const& b) { return a.time < b.time; });
        joined = std::move(merged);
        all = joined;
        before = last_from(probe, all.front().time);
    }
    if (!behind_all) {  // between other blocks nothing grows, so pieces of one size
        auto const pieces = (all.size() + block_most - 1) / block_most;
        auto const size = (all.size() + pieces - 1) / pieces;
        for (std::size_t at = 0; at < all.size(); at += size) {
            write(probe, make_block(all.subspan(at, std::min(size, all.size() - at)), water));
        }
        return;
    }
    while (all.size() >= full_block(probe)) {
        auto const block = make_full_block(probe, all, water);
        write(probe, block);
        all = all.subspan(block.count);
    }
    if (!all.empty()) {
        rests.emplace_back(probe, make_block(all, water));
    }
}

std::size_t& BlockWriter::full_block(ProbeKey probe) {
    auto const place = static_cast<std::size_t>(probe);
    if (place >= full_blocks_.size()) {
        full_blocks_.resize(place + 1, block_most);
    }
    return full_blocks_[place];
}

Block BlockWriter::make_full_block(ProbeKey probe, std::span<Reading const> readings,
                                   WaterOfProbe const& water) {
    auto& size = full_block(probe);
    auto block = make_block(readings.first(size), water);
    auto const row = row_beside + block.hours.size() + block.data.size();
    auto const fitting = readings_to_fill(static_cast<double>(row) / static_cast<double>(block.count),
                                          block_least, block_largest);
    bool const wasteful = share_filled(row) < filled_least && fitting < size;
    size = fitting;
    return wasteful ? make_block(readings.first(size), water) : block;
}

BlockWriter::Expired BlockWriter::expire(ProbeKey probe, Timestamp before, std::size_t most,
                                         WaterOfProbe const& water) {
    Expired done;
    while (true) {
        std::optional<std::int64_t> oldest;
        {
            Query query{
                db_,
                "SELECT block_key FROM blocks WHERE probe_key = ? AND first_ms < ? ORDER BY first_ms LIMIT 1",
                probe, before};
            oldest = query.row() ? std::optional{query.integer()} : std::nullopt;
        }
        done.left = oldest.has_value();
        if (!oldest || done.readings.size() >= most) {
            return done;
        }
        auto const readings = take(*oldest);
        auto const kept = std::partition_point(readings.begin(), readings.end(),
                                               [&](Reading const& r) { return r.time < before; });
        done.readings.insert(done.readings.end(), readings.begin(), kept);
        if (kept != readings.end()) {
            write(probe, make_block({kept, readings.end()}, water));
        }
    }
}

void for_each_block(Database& db, ProbeKey probe, Timestamp from, Timestamp until,
                    std::function<bool(BlockView const&)> const& take) {
    Query query{db,
                "SELECT first_ms, last_ms, hours, data FROM blocks WHERE probe_key = ?1 AND first_ms < ?3"
                " AND first_ms >= ifnull((SELECT first_ms FROM blocks WHERE probe_key = ?1 AND first_ms <= ?2"
                " ORDER BY first_ms DESC LIMIT 1), ?2) ORDER BY first_ms",
                probe, from, until};
    while (query.row()) {
        BlockView view;
        view.first = query.time();
        view.last = query.time();
        view.hours = query.bytes();
        view.row = &query;
        if (view.last >= from && !take(view)) {
            return;
        }
    }
}

std::optional<Timestamp> newest_in_blocks(Database& db, ProbeKey probe) {
    Query query{db, "SELECT last_ms FROM blocks WHERE probe_key = ? ORDER BY first_ms DESC LIMIT 1", probe};
    return query.row() ? std::optional{query.time()} : std::nullopt;
}

}  // namespace probekeeper::store

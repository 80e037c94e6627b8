#include "store/readings.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <limits>

#include "store/group.h"

namespace probekeeper::store {

namespace {

// Compaction is due at either. More readings make fuller blocks at once, up to a full one a probe, and are
// kept in memory while they are sorted, 100 bytes each; more groups make the newest readings slower to find.
constexpr std::size_t grouped_least = 50'000, grouped_most = 250'000;
constexpr std::size_t groups_most = 600;

// Where groups lay, the next ones will lie. Beyond that much pages go back to the file system, which costs
// moving what lies behind them: in a large store they stay, in a small one they would be most of it.
constexpr std::int64_t free_pages_kept = 64, one_part_kept_in = 16;

constexpr Timestamp beginning_of_time = Timestamp::min();
constexpr Timestamp end_of_time = Timestamp::max();

bool earlier(Reading const& a, Reading const& b) {
    return a.time < b.time;
}

// Of one probe, in order of time.
std::vector<Reading> grouped_readings(Database& db, ProbeKey probe, Timestamp from, Timestamp until) {
    std::vector<Reading> found;
    Query query{db, "SELECT data FROM reading_groups WHERE last_ms >= ? AND first_ms < ? ORDER BY group_key",
                from, until};
    while (query.row()) {
        read_group(query.bytes(), probe, from, until, found);
    }
    if (!std::is_sorted(found.begin(), found.end(), earlier)) {
        std::sort(found.begin(), found.end(), earlier);
    }
    return found;
}

}  // namespace

namespace {

// Does nothing in a file that was begun before files were made for it (Store::Open::set_up).
void give_back_pages(Database& db) {
    auto const pages = db.integer_of("PRAGMA page_count");
    auto const spare =
        db.integer_of("PRAGMA freelist_count") - std::max(free_pages_kept, pages / one_part_kept_in);
    if (spare > 0) {
        db.run(fmt::format("PRAGMA incremental_vacuum({})", spare));
    }
}

}  // namespace

void ReadingsWriter::load(std::vector<WaterOfProbe> waters) {
    waters_ = std::move(waters);
    newest_.assign(waters_.size(), beginning_of_time);
    counts_.assign(waters_.size(), 0);
    for (std::size_t key = 1; key < newest_.size(); ++key) {
        newest_[key] = newest_in_blocks(db_, static_cast<ProbeKey>(key)).value_or(beginning_of_time);
    }
    grouped_ = groups_ = 0;
    Query query{db_, "SELECT data FROM reading_groups"};
    while (query.row()) {
        ++groups_;
        for_each_in_group(query.bytes(), [&](ProbeKey probe, std::span<Reading const> readings) {
            grouped_ += readings.size();
            auto& newest = newest_[place_of(probe)];
            newest = std::max(newest, std::max_element(readings.begin(), readings.end(), earlier)->time);
        });
    }
}

std::size_t ReadingsWriter::place_of(ProbeKey probe) const {
    auto const place = static_cast<std::size_t>(probe);
    if (place == 0 || place >= newest_.size()) {
        refuse(Fault::conflict,
               fmt::format("store '{}' has no probe of number {}: enrol the fleet before writing "
                           "about it",
                           db_.path().string(), place));
    }
    return place;
}

std::optional<Timestamp> ReadingsWriter::newest() const {
    auto const found = std::max_element(newest_.begin(), newest_.end());
    return found == newest_.end() || *found == beginning_of_time ? std::nullopt : std::optional{*found};
}

// By counting: keys are few and without gaps. In order of arrival within a probe.
void ReadingsWriter::sort_by_probe(std::span<ProbeReading const> given) {
    std::fill(counts_.begin(), counts_.end(), 0);
    for (auto const& r : given) {
        ++counts_[place_of(r.probe)];
    }
    std::uint32_t before = 0;
    for (auto& count : counts_) {
        before += std::exchange(count, before);
    }
    sorted_.resize(given.size());
    for (auto const& r : given) {
        sorted_[counts_[static_cast<std::size_t>(r.probe)]++] = &r;
    }
}

Appended ReadingsWriter::add(std::span<ProbeReading const> given, std::optional<Timestamp> expired_before) {
    Appended done;
    auto const oldest = expired_before.value_or(beginning_of_time);
    sort_by_probe(given);
    kept_.clear();
    for (std::size_t at = 0; at < sorted_.size();) {
        auto const probe = sorted_[at]->probe;
        auto& newest = newest_[static_cast<std::size_t>(probe)];
        auto const kept_before = kept_.size();
        late_.clear();
        for (; at < sorted_.size() && sorted_[at]->probe == probe; ++at) {
            auto const time = sorted_[at]->reading.time;
            if (time < oldest) {
                ++done.expired;
            } else if (time > newest) {  // nothing is that new, so it is no repeat
                newest = time;
                kept_.push_back(sorted_[at]);
            } else {
                late_.push_back(sorted_[at]);
            }
        }
        if (!late_.empty()) {
            take_late(late_, kept_before, done);
        }
    }
    done.written = kept_.size();
    if (!kept_.empty()) {
        write_group();
    }
    if (grouped_ >= std::clamp(newest_.size() * block_most, grouped_least, grouped_most) ||
        groups_ >= groups_most) {
        compact();
    }
    return done;
}

// Of one probe: those of a time that is not yet stored, nor among kept_ from `already_kept` on.
void ReadingsWriter::take_late(std::span<ProbeReading const*> late, std::size_t already_kept,
                               Appended& done) {
    auto const [first, last] =
        std::minmax_element(late.begin(), late.end(),
                            [](auto const* a, auto const* b) { return earlier(a->reading, b->reading); });
    std::vector<Timestamp> taken;
    for (auto const& r :
         read_readings(db_, (*first)->probe, (*first)->reading.time, (*last)->reading.time + Millis{1},
                       std::numeric_limits<std::size_t>::max())) {
        taken.push_back(r.time);
    }
    for (auto i = already_kept; i < kept_.size(); ++i) {
        taken.push_back(kept_[i]->reading.time);
    }
    std::sort(taken.begin(), taken.end());
    // Of two late ones of the same time the first given stays.
    std::stable_sort(late.begin(), late.end(),
                     [](auto const* a, auto const* b) { return earlier(a->reading, b->reading); });
    for (std::size_t i = 0; i < late.size(); ++i) {
        auto const time = late[i]->reading.time;
        bool const again = i > 0 && late[i - 1]->reading.time == time;
        if (again || std::binary_search(taken.begin(), taken.end(), time)) {
            ++done.repeats;
        } else {
            kept_.push_back(late[i]);
        }
    }
}

void ReadingsWriter::write_group() {
    auto const [first, last] =
        std::minmax_element(kept_.begin(), kept_.end(),
                            [](auto const* a, auto const* b) { return earlier(a->reading, b->reading); });
    auto const group = make_group(kept_);
    Query{db_, "INSERT INTO reading_groups (first_ms, last_ms, data) VALUES (?,?,?)", (*first)->reading.time,
          (*last)->reading.time, std::span{group}}
        .run();
    grouped_ += kept_.size();
    ++groups_;
}

void ReadingsWriter::compact() {
    if (groups_ == 0) {
        return;
    }
    std::vector<std::vector<Reading>> by_probe(newest_.size());
    {
        Query query{db_, "SELECT data FROM reading_groups ORDER BY group_key"};
        while (query.row()) {
            for_each_in_group(query.bytes(), [&](ProbeKey probe, std::span<Reading const> readings) {
                auto& all = by_probe[place_of(probe)];
                all.insert(all.end(), readings.begin(), readings.end());
            });
        }
    }
    BlockWriter::Rests rests;
    for (std::size_t key = 1; key < by_probe.size(); ++key) {
        auto& readings = by_probe[key];
        if (!std::is_sorted(readings.begin(), readings.end(), earlier)) {
            std::sort(readings.begin(), readings.end(), earlier);
        }
        blocks_.add(static_cast<ProbeKey>(key), readings, waters_[key], rests);
        std::vector<Reading>{}.swap(readings);
    }
    blocks_.write(rests);
    db_.run("DELETE FROM reading_groups");
    grouped_ = groups_ = 0;
    give_back_pages(db_);
}

void ReadingsWriter::compact_before(Timestamp before) {
    if (Query{db_, "SELECT 1 FROM reading_groups WHERE first_ms < ? LIMIT 1", before}.row()) {
        compact();
    }
}

BlockWriter::Expired ReadingsWriter::expire(ProbeKey probe, Timestamp before, std::size_t most) {
    return blocks_.expire(probe, before, most, waters_[place_of(probe)]);
}

ReadingsCursor::ReadingsCursor(Database& db, ProbeKey probe, Timestamp from, Timestamp until,
                               std::size_t chunk)
    : db_{&db}, probe_{probe}, from_{from}, until_{until}, chunk_{chunk} {}

Reading const* ReadingsCursor::peek() {
    if (next_ == buffer_.size() && !ended_) {
        refill();
    }
    return next_ < buffer_.size() ? &buffer_[next_] : nullptr;
}

void ReadingsCursor::refill() {
    buffer_ = read_readings(*db_, probe_, from_, until_, chunk_);
    next_ = 0;
    ended_ = buffer_.size() < chunk_;
    if (!buffer_.empty()) {
        from_ = buffer_.back().time + Millis{1};
    }
}

std::vector<Reading> read_readings(Database& db, ProbeKey probe, Timestamp from, Timestamp until,
                                   std::size_t limit) {
    Snapshot const snapshot{db};
    std::vector<Reading> found;
    for_each_block(db, probe, from, until, [&](BlockView const& block) {
        read_block(block.data(), from, until, found);
        return found.size() < limit;
    });
    // Late ones may lie anywhere between those of the blocks, but never beyond a limit reached by the latter.
    auto const block_end = static_cast<std::ptrdiff_t>(found.size());
    auto const grouped =
        grouped_readings(db, probe, from, found.size() < limit ? until : std::min(until, found.back().time));
    found.insert(found.end(), grouped.begin(), grouped.end());
    std::inplace_merge(found.begin(), found.begin() + block_end, found.end(), earlier);
    if (found.size() > limit) {
        found.resize(limit);
    }
    return found;
}

std::optional<Timestamp> newest_before(Database& db, Timestamp before) {
    Query query{db,
                "SELECT max(min(last_ms, ?1)) FROM (SELECT first_ms, last_ms FROM blocks"
                " UNION ALL SELECT first_ms, last_ms FROM reading_groups) WHERE first_ms < ?1",
                before};
    return query.row() ? query.maybe_time() : std::nullopt;
}

std::optional<Reading> newest_reading(Database& db, ProbeKey probe) {
    Snapshot const snapshot{db};
    auto const newest = newest_in_blocks(db, probe);
    auto found = grouped_readings(db, probe, newest ? *newest + Millis{1} : beginning_of_time, end_of_time);
    if (found.empty() && newest) {
        for_each_block(db, probe, *newest, *newest + Millis{1}, [&](BlockView const& block) {
            read_block(block.data(), *newest, *newest + Millis{1}, found);
            return true;
        });
    }
    return found.empty() ? std::nullopt : std::optional{found.back()};
}

namespace {

// Readings from groups between those of blocks.
class LateOnes {
public:
    LateOnes(std::vector<Reading> readings, SummaryTaker const& taker)
        : readings_{std::move(readings)}, taker_{taker} {}
    // False to end the walk.
    [[nodiscard]] bool give_before(Timestamp time) {
        for (; next_ < readings_.size() && readings_[next_].time < time; ++next_) {
            if (!taker_.single(readings_[next_])) {
                return false;
            }
        }
        return true;
    }

private:
    std::vector<Reading> readings_;
    SummaryTaker const& taker_;
    std::size_t next_ = 0;
};

}  // namespace

void sum_up_readings(Database& db, ProbeKey probe, Timestamp from, Timestamp until,
                     SummaryTaker const& taker) {
    Snapshot const snapshot{db};
    LateOnes late{grouped_readings(db, probe, from, until), taker};
    std::vector<Reading> decoded;
    bool wanted = true;
    for_each_block(db, probe, from, until, [&](BlockView const& block) {
        auto const hours = read_hours(block.hours);
        // Runs of hours that do not fit whole are read together, for a block is decompressed as a whole.
        bool loaded = false;
        auto const give_singly = [&](Timestamp begin, Timestamp end) {
            if (!loaded) {
                decoded.clear();
                read_block(block.data(), from, until, decoded);
                loaded = true;
            }
            auto at = std::partition_point(decoded.begin(), decoded.end(),
                                           [&](Reading const& r) { return r.time < begin; });
            for (; wanted && at != decoded.end() && at->time < end; ++at) {
                wanted = late.give_before(at->time) && taker.single(*at);
            }
        };
        if (hours.empty()) {
            give_singly(from, until);
        }
        for (auto const& h : hours) {
            if (!wanted || h.start >= until || h.start + hour <= from) {
                continue;
            }
            wanted = late.give_before(h.start);
            if (wanted && h.start >= from && h.start + hour <= until && taker.fits(h.start)) {
                wanted = taker.whole(h);
                continue;
            }
            give_singly(h.start, h.start + hour);
        }
        return wanted;
    });
    if (wanted) {
        static_cast<void>(late.give_before(until));
    }
}

}  // namespace probekeeper::store

#include "store/minutes.h"

#include <algorithm>
#include <cmath>

#include "store/columns.h"
#include "store/compression.h"

namespace probekeeper::store {

namespace {

constexpr std::size_t minutes_in_block = 1440;
constexpr std::uint8_t form = 1;
constexpr auto damaged = "minutes of readings are damaged: put a backup in the store's place";

template <typename Get>
void write_whole(ByteWriter& out, std::span<Summary const> minutes, Get get) {
    std::vector<std::int64_t> column(minutes.size());
    std::transform(minutes.begin(), minutes.end(), column.begin(), get);
    write_integers(out, column);
}

template <typename Get>
void write_column(ByteWriter& out, std::span<Summary const> minutes, std::size_t q, Get get) {
    std::vector<double> column(minutes.size());
    std::transform(minutes.begin(), minutes.end(), column.begin(), [&](Summary const& s) {
        auto const& t = s.tallies[q];
        return t.count > 0 ? get(t) : not_read;
    });
    write_reals(out, column);
}

// A sum of decimals carries rounding that no register ever had; without it, it is short. It is far below what
// any mean shows.
double without_rounding(double sum) {
    double const whole = std::nearbyint(sum * 1e4) / 1e4;
    return std::abs(whole - sum) < 1e-9 ? whole : sum;
}

template <typename Set>
void read_column(ByteReader& in, std::vector<Summary>& minutes, std::size_t q, std::vector<double>& column,
                 Set set) {
    read_reals(in, column);
    for (std::size_t i = 0; i < minutes.size(); ++i) {
        auto& t = minutes[i].tallies[q];
        if (t.count > 0) {
            set(t, column[i]);
        }
    }
}

// Both in order; equal starts become one.
std::vector<Summary> merged(std::vector<Summary> const& a, std::span<Summary const> b) {
    std::vector<Summary> all;
    all.reserve(a.size() + b.size());
    std::merge(a.begin(), a.end(), b.begin(), b.end(), std::back_inserter(all),
               [](Summary const& x, Summary const& y) { return x.start < y.start; });
    std::vector<Summary> once;
    for (auto const& s : all) {
        if (!once.empty() && once.back().start == s.start) {
            once.back().add(s);
        } else {
            once.push_back(s);
        }
    }
    return once;
}

struct Stored {
    std::int64_t key = 0;
    std::vector<Summary> minutes;
};

}  // namespace

Bytes make_minutes(std::span<Summary const> minutes) {
    Bytes plain;
    ByteWriter out{plain};
    out.byte(form);
    out.number(minutes.size());
    write_whole(out, minutes, [](Summary const& s) { return to_unix_ms(s.start) / minute.count(); });
    write_whole(out, minutes, [](Summary const& s) { return s.count; });
    write_whole(out, minutes, [](Summary const& s) { return std::int64_t{s.marks}; });
    for (std::size_t q = 0; q < quantity_count; ++q) {
        write_whole(out, minutes, [q](Summary const& s) { return s.tallies[q].count; });
        write_column(out, minutes, q, [](Tally const& t) { return t.min; });
        write_column(out, minutes, q, [](Tally const& t) { return t.max; });
        write_column(out, minutes, q, [](Tally const& t) { return without_rounding(t.sum); });
    }
    return compressed(plain);
}

std::vector<Summary> read_minutes(std::span<std::byte const> data) {
    auto const plain = decompressed(data);
    ByteReader in{plain};
    auto const written = in.byte();
    auto const n = in.number();
    if (written != form) {
        refuse(Fault::newer, "minutes were written by a newer version: run that version");
    }
    if (n > minutes_in_block) {
        refuse(Fault::corrupt, damaged);
    }
    std::vector<Summary> minutes(n);
    std::vector<std::int64_t> whole(n);
    std::vector<double> column(n);
    auto const each = [&](auto set) {
        read_integers(in, whole);
        for (std::size_t i = 0; i < n; ++i) {
            set(minutes[i], whole[i]);
        }
    };
    auto const count = [](std::int64_t v) {
        return v >= 0 && v <= most_counted ? v : (refuse(Fault::corrupt, damaged), 0);
    };
    each([](Summary& s, std::int64_t v) { s.start = from_unix_ms(wrapped_product(v, minute.count())); });
    each([&](Summary& s, std::int64_t v) { s.count = count(v); });
    each([](Summary& s, std::int64_t v) { s.marks = static_cast<std::uint16_t>(v); });
    for (std::size_t q = 0; q < quantity_count; ++q) {
        each([&](Summary& s, std::int64_t v) { s.tallies[q].count = count(v); });
        read_column(in, minutes, q, column, [](Tally& t, double v) { t.min = v; });
        read_column(in, minutes, q, column, [](Tally& t, double v) { t.max = v; });
        read_column(in, minutes, q, column, [](Tally& t, double v) { t.sum = v; });
    }
    return minutes;
}

void MinuteKeeper::write(ProbeKey probe, std::span<Summary const> minutes) {
    for (; !minutes.empty(); minutes = minutes.subspan(std::min(minutes.size(), minutes_in_block))) {
        auto const part = minutes.first(std::min(minutes.size(), minutes_in_block));
        auto const data = make_minutes(part);
        Query{db_,
              "INSERT INTO minute_blocks (probe_key, first_ms, last_ms, count, data) VALUES (?,?,?,?,?)",
              probe,
              part.front().start,
              part.back().start,
              part.size(),
              std::span{data}}
            .run();
    }
}

void MinuteKeeper::add(ProbeKey probe, std::span<Summary const> minutes) {
    if (minutes.empty()) {
        return;
    }
    // What overlaps, and the newest while it is small: expiry is in order, so that is all there is to join.
    std::vector<Stored> joined;
    {
        Query query{
            db_,
            "SELECT block_key, data FROM minute_blocks WHERE probe_key = ?1 AND (last_ms >= ?2 OR (count < ?3"
            " AND last_ms = (SELECT max(last_ms) FROM minute_blocks WHERE probe_key = ?1)))"
            " AND first_ms <= ?4 ORDER BY first_ms",
            probe,
            minutes.front().start,
            minutes_in_block,
            minutes.back().start};
        while (query.row()) {
            auto const key = query.integer();
            joined.push_back({key, read_minutes(query.bytes())});
        }
    }
    std::vector<Summary> all;
    for (auto const& stored : joined) {
        Query{db_, "DELETE FROM minute_blocks WHERE block_key = ?", stored.key}.run();
        all.insert(all.end(), stored.minutes.begin(), stored.minutes.end());
    }
    write(probe, merged(all, minutes));
}

void MinuteKeeper::add_expired(ProbeKey probe, std::span<Reading const> readings) {
    std::vector<Summary> minutes;
    for (auto const& r : readings) {
        auto const start = step_start(r.time, minute);
        if (minutes.empty() || minutes.back().start != start) {
            minutes.emplace_back();
            minutes.back().start = start;
        }
        minutes.back().add(r);
    }
    add(probe, minutes);
}

bool MinuteKeeper::expire(ProbeKey probe, Timestamp before, std::size_t most) {
    std::size_t expired = 0;
    while (true) {
        Stored oldest;
        {
            Query query{db_,
                        "SELECT block_key, data FROM minute_blocks WHERE probe_key = ? AND first_ms < ?"
                        " ORDER BY first_ms LIMIT 1",
                        probe, before};
            if (!query.row()) {
                return false;
            }
            if (expired >= most) {
                return true;
            }
            oldest.key = query.integer();
            oldest.minutes = read_minutes(query.bytes());
        }
        Query{db_, "DELETE FROM minute_blocks WHERE block_key = ?", oldest.key}.run();
        auto const kept = std::partition_point(oldest.minutes.begin(), oldest.minutes.end(),
                                               [&](Summary const& s) { return s.start < before; });
        expired += static_cast<std::size_t>(kept - oldest.minutes.begin());
        write(probe, {kept, oldest.minutes.end()});
    }
}

void for_each_minute(Database& db, ProbeKey probe, Timestamp from, Timestamp until,
                     std::function<bool(Summary const&)> const& take) {
    Query query{db,
                "SELECT data FROM minute_blocks WHERE probe_key = ? AND last_ms >= ? AND first_ms < ? ORDER "
                "BY first_ms",
                probe, from, until};
    while (query.row()) {
        for (auto const& s : read_minutes(query.bytes())) {
            if (s.start >= from && s.start < until && !take(s)) {
                return;
            }
        }
    }
}

}  // namespace probekeeper::store

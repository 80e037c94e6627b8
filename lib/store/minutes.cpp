#include "store/minutes.h"

#include <algorithm>

#include "store/readings.h"

namespace probekeeper::store {

Timestamp step_start(Timestamp t, Millis step) {
    auto const into = (t.time_since_epoch() % step + step) % step;  // never negative, before 1970 too
    return t - into;
}

void Tally::add(double value) {
    min = count == 0 ? value : std::min(min, value);
    max = count == 0 ? value : std::max(max, value);
    sum += value;
    ++count;
}

void Tally::add(Tally const& other) {
    if (other.count == 0) {
        return;
    }
    min = count == 0 ? other.min : std::min(min, other.min);
    max = count == 0 ? other.max : std::max(max, other.max);
    sum += other.sum;
    count += other.count;
}

void Summary::add(Reading const& r) {
    ++count;
    marks = static_cast<std::uint16_t>(marks | r.marks);
    if (r.has(mark_fault) || r.has(mark_out_of_range)) {
        return;  // kept, not used
    }
    std::array<double, quantity_count> const values{r.do_mg_l,      r.do_percent,   r.temperature_c,
                                                    r.salinity_psu, r.pressure_hpa, r.airflow};
    for (std::size_t i = 0; i < quantity_count; ++i) {
        if (is_read(values[i])) {
            tallies[i].add(values[i]);
        }
    }
}

void Summary::add(Summary const& other) {
    count += other.count;
    marks = static_cast<std::uint16_t>(marks | other.marks);
    for (std::size_t i = 0; i < quantity_count; ++i) {
        tallies[i].add(other.tallies[i]);
    }
}

Step Summary::step() const {
    Step made{start, count, marks, {}};
    for (std::size_t i = 0; i < quantity_count; ++i) {
        auto const& t = tallies[i];
        if (t.count > 0) {
            made.quantities[i] = {t.count, t.min, t.sum / static_cast<double>(t.count), t.max};
        }
    }
    return made;
}

namespace {

constexpr char const* columns =
    "start_ms, count, marks,"
    " do_mg_l_count, do_mg_l_min, do_mg_l_sum, do_mg_l_max,"
    " do_percent_count, do_percent_min, do_percent_sum, do_percent_max,"
    " temperature_c_count, temperature_c_min, temperature_c_sum, temperature_c_max,"
    " salinity_psu_count, salinity_psu_min, salinity_psu_sum, salinity_psu_max,"
    " pressure_hpa_count, pressure_hpa_min, pressure_hpa_sum, pressure_hpa_max,"
    " airflow_count, airflow_min, airflow_sum, airflow_max";

std::string const& select_minutes() {
    static std::string const sql = std::string{"SELECT "} + columns +
                                   " FROM minutes WHERE probe_key = ? AND start_ms >= ? AND start_ms < ?"
                                   " ORDER BY start_ms";
    return sql;
}

std::string const& insert_minute() {
    static std::string const sql = [] {
        std::string text = std::string{"INSERT INTO minutes (probe_key, "} + columns + ") VALUES (?";
        for (std::size_t i = 0; i < 3 + 4 * quantity_count; ++i) {
            text += ",?";
        }
        return text + ") ON CONFLICT DO NOTHING";
    }();
    return sql;
}

Summary summary_from(Query& row) {
    Summary s;
    s.start = row.time();
    s.count = row.integer();
    s.marks = static_cast<std::uint16_t>(row.integer());
    for (auto& tally : s.tallies) {
        Tally stored;
        stored.count = row.integer();
        stored.min = row.real();
        stored.sum = row.real();
        stored.max = row.real();
        tally.add(stored);  // nothing where nothing was read: its NULLs must not enter a sum
    }
    return s;
}

// False where the minute is there already.
bool insert(Database& db, ProbeKey probe, Summary const& s) {
    Query query{db, insert_minute(), probe, s.start, s.count, s.marks};
    for (auto const& tally : s.tallies) {
        bool const any = tally.count > 0;
        query.bind(tally.count);
        query.bind(any ? tally.min : not_read);
        query.bind(any ? tally.sum : not_read);
        query.bind(any ? tally.max : not_read);
    }
    query.run();
    return db.row_changed();
}

}  // namespace

void MinuteKeeper::keep(ProbeKey probe, Summary const& summary) {
    if (insert(db_, probe, summary)) {
        return;
    }
    Summary whole;
    for_each_minute(db_, probe, summary.start, summary.start + minute, [&](Summary const& stored) {
        whole = stored;
        return true;
    });
    whole.add(summary);
    Query{db_, "DELETE FROM minutes WHERE probe_key = ? AND start_ms = ?", probe, summary.start}.run();
    static_cast<void>(insert(db_, probe, whole));
}

void MinuteKeeper::load(std::vector<ProbeKey> const& probes) {
    open_.clear();
    noted_ = unsettled_from(db_);
    if (!noted_) {
        return;
    }
    constexpr Timestamp end_of_time = Timestamp::max();
    for (auto const probe : probes) {
        Query{db_, "DELETE FROM minutes WHERE probe_key = ? AND start_ms >= ?", probe, *noted_}.run();
        ReadingsCursor cursor{db_, probe, *noted_, end_of_time, 4096};
        for (auto const* reading = cursor.peek(); reading != nullptr;
             cursor.advance(), reading = cursor.peek()) {
            add({probe, *reading});
        }
    }
}

void MinuteKeeper::add(ProbeReading const& given) {
    auto const place = static_cast<std::size_t>(given.probe);
    if (place >= open_.size()) {
        open_.resize(place + 1);
    }
    auto& open = open_[place];
    auto const start = step_start(given.reading.time, minute);
    if (open.used && start < open.summary.start) {
        Summary late;
        late.start = start;
        late.add(given.reading);
        keep(given.probe, late);
        return;
    }
    if (open.used && start > open.summary.start) {
        keep(given.probe, open.summary);
        open.used = false;
    }
    if (!open.used) {
        open.used = true;
        open.summary = Summary{};
        open.summary.start = start;
    }
    open.summary.add(given.reading);
}

void MinuteKeeper::settle(Timestamp newest) {
    std::optional<Timestamp> oldest;
    for (std::size_t i = 0; i < open_.size(); ++i) {
        auto& open = open_[i];
        if (!open.used) {
            continue;
        }
        if (open.summary.start + 2 * minute <= newest) {
            keep(static_cast<ProbeKey>(i), open.summary);
            open.used = false;
        } else if (!oldest || open.summary.start < *oldest) {
            oldest = open.summary.start;
        }
    }
    note_unsettled(oldest);
}

void MinuteKeeper::note_unsettled(std::optional<Timestamp> from) {
    if (from == noted_) {
        return;
    }
    if (from) {
        Query{db_, "INSERT OR REPLACE INTO minutes_unsettled (only, from_ms) VALUES (1, ?)", *from}.run();
    } else {
        db_.run("DELETE FROM minutes_unsettled");
    }
    noted_ = from;
}

bool MinuteKeeper::expire(ProbeKey probe, Timestamp before, std::size_t most) {
    Query bound{db_,
                "SELECT start_ms FROM minutes WHERE probe_key = ? AND start_ms < ? ORDER BY start_ms LIMIT 1 "
                "OFFSET ?",
                probe, before, most};
    auto const left = bound.row() ? std::optional{bound.time()} : std::nullopt;
    Query{db_, "DELETE FROM minutes WHERE probe_key = ? AND start_ms < ?", probe, left.value_or(before)}
        .run();
    return left.has_value();
}

std::optional<Timestamp> unsettled_from(Database& db) {
    Query query{db, "SELECT from_ms FROM minutes_unsettled"};
    return query.row() ? std::optional{query.time()} : std::nullopt;
}

void for_each_minute(Database& db, ProbeKey probe, Timestamp from, Timestamp until,
                     std::function<bool(Summary const&)> const& take) {
    Query query{db, select_minutes(), probe, from, until};
    while (query.row() && take(summary_from(query))) {
    }
}

}  // namespace probekeeper::store

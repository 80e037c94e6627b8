#include "store/old_rows.h"

#include "store/blocks.h"

namespace probekeeper::store {

namespace {

constexpr std::size_t rows_at_once = 100'000;

std::optional<Timestamp> first_reading(Database& db, ProbeKey probe) {
    Query query{db, "SELECT time_ms FROM old_readings WHERE probe_key = ? ORDER BY time_ms LIMIT 1", probe};
    return query.row() ? std::optional{query.time()} : std::nullopt;
}

// Minutes were kept of all readings, now they are of the expired ones only. Of the minute through which
// expiry had cut, the summary stays, and so the rest of its readings goes.
void forget_what_is_counted_twice(Database& db, ProbeKey probe) {
    auto const first = first_reading(db, probe);
    if (!first) {
        return;
    }
    auto const cut = step_start(*first, minute);
    auto const in_minute = [&](std::string_view sql) {
        Query query{db, sql, probe, cut, cut + minute};
        return query.row() ? query.integer() : 0;
    };
    bool const partly_expired =
        in_minute("SELECT count FROM old_minutes WHERE probe_key = ? AND start_ms >= ? AND start_ms < ?") >
        in_minute("SELECT count(*) FROM old_readings WHERE probe_key = ? AND time_ms >= ? AND time_ms < ?");
    if (partly_expired) {
        Query{db, "DELETE FROM old_readings WHERE probe_key = ? AND time_ms < ?", probe, cut + minute}.run();
    }
    Query{db, "DELETE FROM old_minutes WHERE probe_key = ? AND start_ms >= ?", probe,
          partly_expired ? cut + minute : cut}
        .run();
}

Summary minute_from(Query& row) {
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

bool move_some_minutes(Database& db, ProbeKey probe) {
    std::vector<Summary> minutes;
    {
        Query query{db,
                    "SELECT start_ms, count, marks,"
                    " do_mg_l_count, do_mg_l_min, do_mg_l_sum, do_mg_l_max,"
                    " do_percent_count, do_percent_min, do_percent_sum, do_percent_max,"
                    " temperature_c_count, temperature_c_min, temperature_c_sum, temperature_c_max,"
                    " salinity_psu_count, salinity_psu_min, salinity_psu_sum, salinity_psu_max,"
                    " pressure_hpa_count, pressure_hpa_min, pressure_hpa_sum, pressure_hpa_max,"
                    " airflow_count, airflow_min, airflow_sum, airflow_max"
                    " FROM old_minutes WHERE probe_key = ? ORDER BY start_ms LIMIT ?",
                    probe, rows_at_once};
        while (query.row()) {
            minutes.push_back(minute_from(query));
        }
    }
    if (minutes.empty()) {
        return false;
    }
    MinuteKeeper{db}.add(probe, minutes);
    Query{db, "DELETE FROM old_minutes WHERE probe_key = ? AND start_ms <= ?", probe, minutes.back().start}
        .run();
    return true;
}

Reading reading_from(Query& row) {
    Reading r;
    r.time = row.time();
    r.do_mg_l = row.real();
    r.do_percent = row.real();
    r.po2_hpa = row.real();
    r.temperature_c = row.real();
    r.salinity_psu = row.real();
    r.pressure_hpa = row.real();
    r.airflow = row.real();
    r.known = static_cast<std::uint16_t>(row.integer());
    r.marks = static_cast<std::uint16_t>(row.integer());
    return r;
}

bool move_some_readings(Database& db, ProbeKey probe, WaterOfProbe const& water) {
    std::vector<Reading> readings;
    {
        Query query{db,
                    "SELECT time_ms, do_mg_l, do_percent, po2_hpa, temperature_c, salinity_psu, "
                    "pressure_hpa, airflow,"
                    " known, marks FROM old_readings WHERE probe_key = ? ORDER BY time_ms LIMIT ?",
                    probe, rows_at_once};
        while (query.row()) {
            readings.push_back(reading_from(query));
        }
    }
    if (readings.empty()) {
        return false;
    }
    BlockWriter{db}.add(probe, readings, water);
    Query{db, "DELETE FROM old_readings WHERE probe_key = ? AND time_ms <= ?", probe, readings.back().time}
        .run();
    return true;
}

bool has_table(Database& db, std::string_view name) {
    return Query{db, "SELECT 1 FROM sqlite_schema WHERE type = 'table' AND name = ?", name}.row();
}

template <typename Work>
bool in_one_transaction(Database& db, Work work) {
    Transaction transaction{db};
    bool const more = work();
    transaction.commit();
    return more;
}

void move_rows(Database& db, KnownProbe const& probe) {
    // Together with the first minutes: what is decided here depends on minutes that are gone afterwards.
    bool more = in_one_transaction(db, [&] {
        if (!Query{db, "SELECT 1 FROM old_minutes WHERE probe_key = ? LIMIT 1", probe.key}.row()) {
            return false;
        }
        forget_what_is_counted_twice(db, probe.key);
        return move_some_minutes(db, probe.key);
    });
    while (more) {
        more = in_one_transaction(db, [&] { return move_some_minutes(db, probe.key); });
    }
    while (in_one_transaction(db, [&] { return move_some_readings(db, probe.key, probe.water); })) {
    }
}

}  // namespace

void move_old_rows(Database& db, std::vector<KnownProbe> const& probes) {
    if (!has_table(db, "old_readings")) {
        return;
    }
    for (auto const& probe : probes) {
        move_rows(db, probe);
    }
    Transaction transaction{db};
    db.run("DROP TABLE old_readings; DROP TABLE old_minutes");
    transaction.commit();
}

}  // namespace probekeeper::store

#include "store/readings.h"

namespace probekeeper::store {

namespace {

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

}  // namespace

bool ReadingsWriter::add(ProbeReading const& given) {
    if (insert_ == nullptr) {
        insert_ = db_.prepared(
            "INSERT INTO readings (probe_key, time_ms, do_mg_l, do_percent, po2_hpa, temperature_c, "
            "salinity_psu,"
            " pressure_hpa, airflow, known, marks) VALUES (?,?,?,?,?,?,?,?,?,?,?) ON CONFLICT DO NOTHING");
    }
    auto const& r = given.reading;
    Query insert{db_,          insert_,   given.probe,     r.time,         r.do_mg_l,
                 r.do_percent, r.po2_hpa, r.temperature_c, r.salinity_psu, r.pressure_hpa,
                 r.airflow,    r.known,   r.marks};
    insert.run();
    return db_.row_changed();
}

bool ReadingsWriter::expire(ProbeKey probe, Timestamp before, std::size_t most) {
    Query bound{
        db_,
        "SELECT time_ms FROM readings WHERE probe_key = ? AND time_ms < ? ORDER BY time_ms LIMIT 1 OFFSET ?",
        probe, before, most};
    auto const left = bound.row() ? std::optional{bound.time()} : std::nullopt;
    Query{db_, "DELETE FROM readings WHERE probe_key = ? AND time_ms < ?", probe, left.value_or(before)}
        .run();
    return left.has_value();
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

std::optional<Reading> newest_reading(Database& db, ProbeKey probe) {
    Query query{
        db,
        "SELECT time_ms, do_mg_l, do_percent, po2_hpa, temperature_c, salinity_psu, pressure_hpa, airflow,"
        " known, marks FROM readings WHERE probe_key = ? ORDER BY time_ms DESC LIMIT 1",
        probe};
    return query.row() ? std::optional{reading_from(query)} : std::nullopt;
}

std::vector<Reading> read_readings(Database& db, ProbeKey probe, Timestamp from, Timestamp until,
                                   std::size_t limit) {
    Query query{
        db,
        "SELECT time_ms, do_mg_l, do_percent, po2_hpa, temperature_c, salinity_psu, pressure_hpa, airflow,"
        " known, marks FROM readings WHERE probe_key = ? AND time_ms >= ? AND time_ms < ?"
        " ORDER BY time_ms LIMIT ?",
        probe,
        from,
        until,
        limit};
    std::vector<Reading> found;
    while (query.row()) {
        found.push_back(reading_from(query));
    }
    return found;
}

bool has_readings_before(Database& db, ProbeKey probe, Timestamp before) {
    return Query{db, "SELECT 1 FROM readings WHERE probe_key = ? AND time_ms < ? LIMIT 1", probe, before}
        .row();
}

}  // namespace probekeeper::store

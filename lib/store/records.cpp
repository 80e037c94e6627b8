#include <spdlog/fmt/fmt.h>

#include "store/people.h"
#include "store/position.h"
#include "store/probes.h"
#include "store/words.h"

namespace probekeeper::store {

namespace {

constexpr Millis answers_kept{7LL * 86'400'000};

#define PROBEKEEPER_RECORD_COLUMNS                                                                         \
    "number, time_ms, probe_id, kind, dry_zero_mg_l, dry_zero_found_mg_l, air_percent, reference_mg_l,"    \
    " reference_percent, probe_mg_l, pressure_hpa, serial, visit, by_whom, note, voided_at_ms, void_why, " \
    "void_by"                                                                                              \
    " FROM service_records JOIN probes USING (probe_key)"

service::KeptRecord record_from(Query& row) {
    service::KeptRecord kept;
    auto& r = kept.record;
    kept.number = row.integer();
    r.time = row.time();
    r.probe = row.text();
    auto const kind = row.text();
    r.kind = known(service::work_of(kind), kind);
    r.dry_zero_mg_l = row.maybe_real();
    r.dry_zero_found_mg_l = row.maybe_real();
    r.air_percent = row.maybe_real();
    r.reference_mg_l = row.maybe_real();
    r.reference_percent = row.maybe_real();
    r.probe_mg_l = row.maybe_real();
    r.pressure_hpa = row.maybe_real();
    r.serial = row.text();
    r.visit = row.text();
    r.by = row.text();
    r.note = row.text();
    kept.voided_at = row.maybe_time();
    kept.void_why = row.text();
    kept.void_by = row.text();
    return kept;
}

std::vector<service::KeptRecord> all_of(Query& query) {
    std::vector<service::KeptRecord> found;
    while (query.row()) {
        found.push_back(record_from(query));
    }
    return found;
}

}  // namespace

void save_record(Database& db, service::KeptRecord const& kept) {
    auto const& r = kept.record;
    Query{db,
          "INSERT INTO service_records (number, time_ms, probe_key, kind, dry_zero_mg_l, dry_zero_found_mg_l,"
          " air_percent, reference_mg_l, reference_percent, probe_mg_l, pressure_hpa, serial, visit, "
          "by_whom, note,"
          " voided_at_ms, void_why, void_by) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)",
          kept.number,
          r.time,
          key_of(db, r.probe),
          to_word(r.kind),
          r.dry_zero_mg_l,
          r.dry_zero_found_mg_l,
          r.air_percent,
          r.reference_mg_l,
          r.reference_percent,
          r.probe_mg_l,
          r.pressure_hpa,
          r.serial,
          r.visit,
          r.by,
          r.note,
          kept.voided_at,
          kept.void_why,
          kept.void_by}
        .run();
}

void void_record(Database& db, Voiding const& v) {
    Query{db,
          "UPDATE service_records SET voided_at_ms = ?, void_why = ?, void_by = ?"
          " WHERE number = ? AND voided_at_ms IS NULL",
          v.at,
          v.why,
          v.by,
          v.number}
        .run();
    if (!db.row_changed()) {
        refuse(Fault::conflict,
               fmt::format("service record {} cannot be voided: there is none of that number, or it "
                           "is voided already",
                           v.number));
    }
}

Page<service::KeptRecord> read_records(Database& db, std::string const& probe, PageRequest const& request) {
    check_limit(request);
    std::int64_t time = INT64_MIN;
    std::int64_t number = INT64_MIN;
    if (request.after) {
        auto const parts = position_parts(*request.after, 2);
        time = position_number(*request.after, parts[0]);
        number = position_number(*request.after, parts[1]);
    }
    Query query{db,
                "SELECT " PROBEKEEPER_RECORD_COLUMNS
                " WHERE probe_id = ? AND (time_ms, number) > (?, ?) ORDER BY time_ms, number LIMIT ?",
                probe,
                time,
                number,
                request.limit + 1};
    return cut(all_of(query), request.limit, [](service::KeptRecord const& r) {
        return position_of(r.record.time, fmt::format("{}", r.number));
    });
}

std::optional<service::KeptRecord> read_record(Database& db, std::int64_t number) {
    Query query{db, "SELECT " PROBEKEEPER_RECORD_COLUMNS " WHERE number = ?", number};
    return query.row() ? std::optional{record_from(query)} : std::nullopt;
}

std::vector<service::KeptRecord> read_site_records(Database& db, std::string const& site) {
    Query query{db, "SELECT " PROBEKEEPER_RECORD_COLUMNS " WHERE site_id = ? ORDER BY time_ms, number", site};
    return all_of(query);
}

std::vector<service::KeptRecord> read_all_records(Database& db) {
    Query query{db, "SELECT " PROBEKEEPER_RECORD_COLUMNS " ORDER BY time_ms, number"};
    return all_of(query);
}

#undef PROBEKEEPER_RECORD_COLUMNS

std::int64_t highest_record_number(Database& db) {
    return db.integer_of("SELECT ifnull(max(number), 0) FROM service_records");
}

void save_answer(Database& db, KeptAnswer const& a) {
    // The answer to a step of the hub's is what tells that it was taken, until its outcome is kept (feed.h).
    Query{db,
          "DELETE FROM answers WHERE at_ms < ? AND (token NOT GLOB 'hub:*' OR EXISTS (SELECT 1 FROM "
          "step_outcomes WHERE step_id = answers.key))",
          a.at - answers_kept}
        .run();
    Query{db,
          "INSERT INTO answers (token, path, key, body_hash, status, answer, at_ms) VALUES (?,?,?,?,?,?,?)",
          a.token,
          a.path,
          a.key,
          a.body_hash,
          a.status,
          a.answer,
          a.at}
        .run();
}

std::optional<KeptAnswer> read_answer(Database& db, std::string const& token, std::string const& path,
                                      std::string const& key) {
    Query query{
        db, "SELECT body_hash, status, answer, at_ms FROM answers WHERE token = ? AND path = ? AND key = ?",
        token, path, key};
    if (!query.row()) {
        return std::nullopt;
    }
    KeptAnswer found{token, path, key, {}, 0, {}, {}};
    found.body_hash = query.text();
    found.status = static_cast<int>(query.integer());
    found.answer = query.text();
    found.at = query.time();
    return found;
}

void save_out_of_use(Database& db, service::OutOfUse const& t) {
    Query{db,
          "INSERT INTO out_of_use (number, site_id, probe_id, from_ms, until_ms, why, by_whom, told_at_ms, "
          "ended_by)"
          " VALUES (?,?,?,?,?,?,?,?,?) ON CONFLICT (number) DO UPDATE SET until_ms = excluded.until_ms,"
          " ended_by = excluded.ended_by",
          t.number,
          t.site,
          t.probe,
          t.from,
          t.until,
          t.why,
          t.by,
          t.told_at,
          t.ended_by}
        .run();
}

namespace {

service::OutOfUse out_of_use_from(Query& query) {
    service::OutOfUse t;
    t.number = query.integer();
    t.site = query.text();
    t.probe = query.maybe_text();
    t.from = query.time();
    t.until = query.maybe_time();
    t.why = query.text();
    t.by = query.text();
    t.told_at = query.time();
    t.ended_by = query.text();
    return t;
}

}  // namespace

std::vector<service::OutOfUse> read_out_of_use(Database& db) {
    Query query{db,
                "SELECT number, site_id, probe_id, from_ms, until_ms, why, by_whom, told_at_ms, ended_by"
                " FROM out_of_use ORDER BY number"};
    std::vector<service::OutOfUse> found;
    while (query.row()) {
        found.push_back(out_of_use_from(query));
    }
    return found;
}

std::optional<service::OutOfUse> read_out_of_use(Database& db, std::int64_t number) {
    Query query{db,
                "SELECT number, site_id, probe_id, from_ms, until_ms, why, by_whom, told_at_ms, ended_by"
                " FROM out_of_use WHERE number = ?",
                number};
    return query.row() ? std::optional{out_of_use_from(query)} : std::nullopt;
}

void save_downtime(Database& db, Downtime const& d) {
    Query{db,
          "INSERT INTO downtimes (stopped_at_ms, started_at_ms) VALUES (?,?) ON CONFLICT (stopped_at_ms)"
          " DO UPDATE SET started_at_ms = max(started_at_ms, excluded.started_at_ms)",
          d.stopped_at, d.started_at}
        .run();
}

std::vector<Downtime> read_downtimes(Database& db, Timestamp ending_after) {
    Query query{
        db,
        "SELECT stopped_at_ms, started_at_ms FROM downtimes WHERE started_at_ms > ? ORDER BY stopped_at_ms",
        ending_after};
    std::vector<Downtime> found;
    while (query.row()) {
        Downtime d;
        d.stopped_at = query.time();
        d.started_at = query.time();
        found.push_back(d);
    }
    return found;
}

}  // namespace probekeeper::store

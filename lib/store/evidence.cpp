#include "store/evidence.h"

#include "store/position.h"
#include "store/probes.h"
#include "store/words.h"

namespace probekeeper::store {

namespace {

constexpr Millis day{86'400'000};
constexpr Millis checkpoint_days = 40 * day;

diagnosis::ResponseTest test_from(Query& row) {
    diagnosis::ResponseTest t;
    t.time = row.time();
    t.source = source_of_word(row.text());
    t.model = model_of_word(row.text());
    t.t90_s = row.real();
    t.low_s = row.real();
    t.high_s = row.real();
    t.at_temperature_c = row.maybe_real();
    t.t90_20_s = row.real();
    t.used = row.integer() != 0;
    t.set_aside = row.text();
    return t;
}

ProbeDiagnosis diagnosis_from(Query& row) {
    ProbeDiagnosis d;
    d.probe = row.text();
    d.at = row.time();
    d.condition = condition_of_word(row.text());
    d.document = row.text();
    return d;
}

}  // namespace

void save_test(Database& db, ProbeTest const& given) {
    auto const& t = given.test;
    Query{db,
          "INSERT OR REPLACE INTO response_tests (probe_key, time_ms, source, model, t90_s, low_s, high_s,"
          " at_temperature_c, t90_20_s, used, set_aside) VALUES (?,?,?,?,?,?,?,?,?,?,?)",
          key_of(db, given.probe),
          t.time,
          to_word(t.source),
          to_word(t.model),
          t.t90_s,
          t.low_s,
          t.high_s,
          t.at_temperature_c,
          t.t90_20_s,
          t.used,
          t.set_aside}
        .run();
}

void save_diagnosis(Database& db, ProbeDiagnosis const& d) {
    auto const key = key_of(db, d.probe);
    auto const condition = to_word(d.condition);
    Query{db,
          "INSERT OR REPLACE INTO newest_diagnoses (probe_key, at_ms, condition, document) VALUES (?,?,?,?)",
          key,
          d.at,
          condition,
          d.document}
        .run();
    if (d.changed) {
        Query{db,
              "INSERT OR REPLACE INTO diagnoses (probe_key, at_ms, condition, document) VALUES (?,?,?,?)",
              key,
              d.at,
              condition,
              d.document}
            .run();
    }
}

void save_service_change(Database& db, ProbeServiceChange const& c) {
    Query{db,
          "INSERT OR REPLACE INTO service_states (probe_key, at_ms, known_ms, state) VALUES (?,?,?,?)",
          key_of(db, c.probe),
          c.change.at,
          c.change.known,
          to_word(c.change.state)}
        .run();
}

std::vector<diagnosis::ServiceChange> read_service_changes(Database& db, std::string const& probe,
                                                           Timestamp from, Timestamp until) {
    Query query{
        db,
        "SELECT at_ms, known_ms, state FROM service_states s JOIN probes USING (probe_key)"
        " WHERE probe_id = ?1 AND at_ms < ?3 AND at_ms >= ifnull((SELECT max(at_ms) FROM service_states"
        " WHERE probe_key = s.probe_key AND at_ms <= ?2), ?2) ORDER BY at_ms, known_ms",
        probe, from, until};
    std::vector<diagnosis::ServiceChange> found;
    while (query.row()) {
        diagnosis::ServiceChange c;
        c.at = query.time();
        c.known = query.time();
        c.state = service_state_of_word(query.text());
        if (!found.empty() && found.back().at == c.at) {
            found.pop_back();
        }
        found.push_back(c);
    }
    return found;
}

void save_checkpoint(Database& db, Checkpoint const& c) {
    Query{db,
          "INSERT OR REPLACE INTO checkpoints (site_id, position_ms, algorithm, state) VALUES (?,?,?,?)",
          c.site,
          c.position,
          c.algorithm,
          c.state}
        .run();
    auto const today = to_unix_ms(std::chrono::floor<std::chrono::days>(c.position));
    Query{db, "DELETE FROM checkpoints WHERE site_id = ? AND position_ms >= ? AND position_ms < ?", c.site,
          today, c.position}
        .run();
    Query{db, "DELETE FROM checkpoints WHERE site_id = ? AND position_ms < ?", c.site,
          c.position - checkpoint_days}
        .run();
}

void rewind(Database& db, Rewind const& r) {
    constexpr char const* of_site = "(SELECT probe_key FROM probes WHERE site_id = ?)";
    for (auto const& [table, time] : {std::pair{"response_tests", "time_ms"}, std::pair{"diagnoses", "at_ms"},
                                      std::pair{"service_states", "known_ms"}}) {
        Query{db, fmt::format("DELETE FROM {} WHERE probe_key IN {} AND {} >= ?", table, of_site, time),
              r.site, r.from}
            .run();
    }
    Query{db, "DELETE FROM checkpoints WHERE site_id = ? AND position_ms >= ?", r.site, r.from}.run();
}

void expire_evidence(Database& db, ProbeKey probe, Timestamp before) {
    Query{db, "DELETE FROM response_tests WHERE probe_key = ? AND time_ms < ?", probe, before}.run();
    Query{db, "DELETE FROM diagnoses WHERE probe_key = ? AND at_ms < ?", probe, before}.run();
    Query{db, "DELETE FROM service_states WHERE probe_key = ? AND at_ms < ?", probe, before}.run();
}

std::optional<diagnosis::ResponseTest> read_test(Database& db, std::string const& probe, Timestamp at,
                                                 std::string const& source) {
    Query query{
        db,
        "SELECT time_ms, source, model, t90_s, low_s, high_s, at_temperature_c, t90_20_s, used, set_aside"
        " FROM response_tests WHERE probe_key = (SELECT probe_key FROM probes WHERE probe_id = ?)"
        " AND time_ms = ? AND source = ?",
        probe, at, source};
    return query.row() ? std::optional{test_from(query)} : std::nullopt;
}

Page<diagnosis::ResponseTest> read_tests(Database& db, std::string const& probe, Timestamp from,
                                         PageRequest const& request) {
    check_limit(request);
    std::string after_source;  // sorts before every source
    if (request.after) {
        auto const parts = position_parts(*request.after, 2);
        from = from_unix_ms(position_number(*request.after, parts[0]));
        after_source = parts[1];
    }
    Query query{
        db,
        "SELECT time_ms, source, model, t90_s, low_s, high_s, at_temperature_c, t90_20_s, used, set_aside"
        " FROM response_tests WHERE probe_key = (SELECT probe_key FROM probes WHERE probe_id = ?)"
        " AND (time_ms, source) > (?, ?) ORDER BY time_ms, source LIMIT ?",
        probe,
        from,
        after_source,
        request.limit + 1};
    std::vector<diagnosis::ResponseTest> found;
    while (query.row()) {
        found.push_back(test_from(query));
    }
    return cut(std::move(found), request.limit,
               [](diagnosis::ResponseTest const& t) { return position_of(t.time, to_word(t.source)); });
}

Page<ProbeDiagnosis> read_diagnoses(Database& db, std::string const& probe, Timestamp from, Timestamp until,
                                    PageRequest const& request) {
    check_limit(request);
    if (request.after) {
        from = from_unix_ms(position_number(*request.after, *request.after)) + Millis{1};
    }
    Query query{db,
                "SELECT probe_id, at_ms, condition, document FROM diagnoses JOIN probes USING (probe_key)"
                " WHERE probe_id = ? AND at_ms >= ? AND at_ms < ? ORDER BY at_ms LIMIT ?",
                probe,
                from,
                until,
                request.limit + 1};
    std::vector<ProbeDiagnosis> found;
    while (query.row()) {
        found.push_back(diagnosis_from(query));
    }
    return cut(std::move(found), request.limit, [](ProbeDiagnosis const& d) { return position_of(d.at); });
}

std::optional<ProbeDiagnosis> read_newest_diagnosis(Database& db, std::string const& probe) {
    Query query{
        db,
        "SELECT probe_id, at_ms, condition, document FROM newest_diagnoses JOIN probes USING (probe_key)"
        " WHERE probe_id = ?",
        probe};
    return query.row() ? std::optional{diagnosis_from(query)} : std::nullopt;
}

std::vector<ProbeDiagnosis> read_newest_diagnoses(Database& db) {
    Query query{
        db,
        "SELECT probe_id, at_ms, condition, document FROM newest_diagnoses JOIN probes USING (probe_key)"
        " ORDER BY probe_id"};
    std::vector<ProbeDiagnosis> found;
    while (query.row()) {
        found.push_back(diagnosis_from(query));
    }
    return found;
}

std::optional<Checkpoint> read_checkpoint(Database& db, std::string const& site, std::string const& algorithm,
                                          Timestamp at_or_before) {
    Query query{db,
                "SELECT site_id, position_ms, algorithm, state FROM checkpoints"
                " WHERE site_id = ? AND algorithm = ? AND position_ms <= ? ORDER BY position_ms DESC LIMIT 1",
                site, algorithm, at_or_before};
    if (!query.row()) {
        return std::nullopt;
    }
    Checkpoint found;
    found.site = query.text();
    found.position = query.time();
    found.algorithm = query.text();
    found.state = query.blob();
    return found;
}

}  // namespace probekeeper::store

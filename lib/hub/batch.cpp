#include "hub/batch.h"

#include <algorithm>

#include "document/write.h"

namespace probekeeper::hub {

namespace {

// By Kind, in the order in which they are written: what events and outcomes tell of is there before them.
constexpr std::array<char const*, kind_count> statements{
    R"sql(
UPDATE probekeeper.sites s SET document = t.document, configuration = t.configuration, heard_at = now()
FROM jsonb_to_recordset($1::jsonb) AS t (site_id text, document jsonb, configuration text)
WHERE s.site_id = t.site_id
)sql",
    R"sql(
UPDATE probekeeper.probes p SET removed_at = now()
FROM jsonb_to_recordset($1::jsonb) AS t (site_id text, stay text[])
WHERE p.site_id = t.site_id AND p.removed_at IS NULL AND NOT (p.probe_id = ANY (t.stay))
)sql",
    R"sql(
INSERT INTO probekeeper.probes AS old
    (site_id, probe_id, document, condition, ne107, last_reading, diagnosis, diagnosis_at)
SELECT site_id, probe_id, document, document ->> 'condition', document ->> 'ne107',
    nullif(document -> 'last_reading', 'null'), diagnosis, diagnosis_at
FROM jsonb_to_recordset($1::jsonb)
    AS t (site_id text, probe_id text, document jsonb, diagnosis text, diagnosis_at timestamptz)
ON CONFLICT (site_id, probe_id) DO UPDATE SET document = excluded.document, condition = excluded.condition,
    ne107 = excluded.ne107, last_reading = excluded.last_reading, removed_at = NULL,
    diagnosis = coalesce(excluded.diagnosis, old.diagnosis),
    diagnosis_at = coalesce(excluded.diagnosis_at, old.diagnosis_at)
)sql",
    R"sql(
INSERT INTO probekeeper.tickets
    (site_id, number, probe_id, state, urgency, opened_at, updated_at, reasons, document)
SELECT site_id, number, document ->> 'probe', document ->> 'state', document ->> 'urgency',
    (document ->> 'opened_at')::timestamptz, (document ->> 'updated_at')::timestamptz,
    ARRAY(SELECT r ->> 'code' FROM jsonb_array_elements(document -> 'reasons') AS r), document
FROM jsonb_to_recordset($1::jsonb) AS t (site_id text, number bigint, document jsonb)
ON CONFLICT (site_id, number) DO UPDATE SET probe_id = excluded.probe_id, state = excluded.state,
    urgency = excluded.urgency, opened_at = excluded.opened_at, updated_at = excluded.updated_at,
    reasons = excluded.reasons, document = excluded.document
)sql",
    R"sql(
INSERT INTO probekeeper.records (site_id, number, probe_id, time, serial, document)
SELECT site_id, number, document ->> 'probe', (document ->> 'time')::timestamptz, document ->> 'serial', document
FROM jsonb_to_recordset($1::jsonb) AS t (site_id text, number bigint, document jsonb)
ON CONFLICT (site_id, number) DO UPDATE SET probe_id = excluded.probe_id, time = excluded.time,
    serial = excluded.serial, document = excluded.document
)sql",
    R"sql(
INSERT INTO probekeeper.out_of_use (site_id, number, probe_id, document)
SELECT site_id, number, document ->> 'probe', document
FROM jsonb_to_recordset($1::jsonb) AS t (site_id text, number bigint, document jsonb)
ON CONFLICT (site_id, number) DO UPDATE SET probe_id = excluded.probe_id, document = excluded.document
)sql",
    R"sql(
INSERT INTO probekeeper.response_tests (site_id, probe_id, time, source, document)
SELECT site_id, probe_id, time, source, document
FROM jsonb_to_recordset($1::jsonb) AS t (site_id text, probe_id text, time timestamptz, source text, document jsonb)
ON CONFLICT (site_id, probe_id, time, source) DO UPDATE SET document = excluded.document
)sql",
    R"sql(
INSERT INTO probekeeper.diagnoses (site_id, probe_id, at, condition, document)
SELECT site_id, probe_id, at, condition, document
FROM jsonb_to_recordset($1::jsonb) AS t (site_id text, probe_id text, at timestamptz, condition text, document text)
ON CONFLICT (site_id, probe_id, at) DO UPDATE SET condition = excluded.condition, document = excluded.document
)sql",
    R"sql(
INSERT INTO probekeeper.summaries
SELECT (t).* FROM jsonb_populate_recordset(NULL::probekeeper.summaries, $1::jsonb) AS t
ON CONFLICT (site_id, probe_id, hour) DO UPDATE SET minutes = excluded.minutes, counts = excluded.counts,
    marks = excluded.marks,
    do_mg_l_count = excluded.do_mg_l_count, do_mg_l_min = excluded.do_mg_l_min, do_mg_l_sum = excluded.do_mg_l_sum,
    do_mg_l_max = excluded.do_mg_l_max,
    do_percent_count = excluded.do_percent_count, do_percent_min = excluded.do_percent_min,
    do_percent_sum = excluded.do_percent_sum, do_percent_max = excluded.do_percent_max,
    temperature_c_count = excluded.temperature_c_count, temperature_c_min = excluded.temperature_c_min,
    temperature_c_sum = excluded.temperature_c_sum, temperature_c_max = excluded.temperature_c_max,
    salinity_psu_count = excluded.salinity_psu_count, salinity_psu_min = excluded.salinity_psu_min,
    salinity_psu_sum = excluded.salinity_psu_sum, salinity_psu_max = excluded.salinity_psu_max,
    pressure_hpa_count = excluded.pressure_hpa_count, pressure_hpa_min = excluded.pressure_hpa_min,
    pressure_hpa_sum = excluded.pressure_hpa_sum, pressure_hpa_max = excluded.pressure_hpa_max,
    airflow_count = excluded.airflow_count, airflow_min = excluded.airflow_min,
    airflow_sum = excluded.airflow_sum, airflow_max = excluded.airflow_max
)sql",
    R"sql(
INSERT INTO probekeeper.events (site_id, at, kind, data, site_event)
SELECT site_id, at, kind, data, site_event
FROM jsonb_to_recordset($1::jsonb) AS t (site_id text, at timestamptz, kind text, data text, site_event bigint)
ON CONFLICT (site_id, site_event, at) DO NOTHING
)sql",
    R"sql(
WITH told AS (
    SELECT * FROM jsonb_to_recordset($1::jsonb)
        AS t (site_id text, id text, at timestamptz, status int, content_type text, body text)
), done AS (
    DELETE FROM probekeeper.waiting_steps w USING told WHERE w.site_id = told.site_id AND w.id = told.id
)
INSERT INTO probekeeper.outcomes (site_id, id, at, status, content_type, body)
SELECT site_id, id, at, status, content_type, body FROM told
ON CONFLICT (site_id, id) DO NOTHING
)sql"};

constexpr char const* rewind_tests =
    "DELETE FROM probekeeper.response_tests WHERE site_id = $1 AND time >= $2";
constexpr char const* rewind_diagnoses = "DELETE FROM probekeeper.diagnoses WHERE site_id = $1 AND at >= $2";

// PostgreSQL's text holds every character but this one.
constexpr std::string_view nul = "\\u0000", instead = "\\ufffd";

std::string written(boost::json::object const& row) {
    auto text = document::write(row);
    for (auto at = text.find(nul); at != std::string::npos; at = text.find(nul, at + nul.size())) {
        auto const before = text.find_last_not_of('\\', at);
        auto const backslashes = at - (before == std::string::npos ? 0 : before + 1);
        if (backslashes % 2 == 0) {  // else it is a backslash, and then five harmless characters
            text.replace(at, nul.size(), instead);
        }
    }
    return text;
}

}  // namespace

void Batch::add(Kind kind, boost::json::object const& row) {
    auto const text = written(row);
    auto& rows = parts_.back().rows[static_cast<std::size_t>(kind)];
    rows += rows.empty() ? '[' : ',';
    rows += text;
    bytes_ += text.size() + 1;
    std::string_view const site{row.at("site_id").as_string()};
    if (!sites_.contains(site)) {
        sites_.emplace(site);
    }
    ++rows_;
}

void Batch::rewind(std::string site, Timestamp from) {
    Part part;
    sites_.insert(site);
    part.rewound = std::move(site);
    part.from = std::max(from, from_unix_ms(0));  // nothing was measured before
    parts_.push_back(std::move(part));
    ++rows_;
}

bool Batch::has(Kind kind) const {
    return std::any_of(parts_.begin(), parts_.end(),
                       [&](Part const& part) { return !part.rows[static_cast<std::size_t>(kind)].empty(); });
}

std::vector<std::string> Batch::sites() const {
    return {sites_.begin(), sites_.end()};
}

std::string Batch::json(Kind kind) const {
    auto const& rows = parts_.back().rows[static_cast<std::size_t>(kind)];
    return rows.empty() ? "" : rows + "]";
}

void Batch::write(postgres::Connection& connection) const {
    for (auto const& part : parts_) {
        if (!part.rewound.empty()) {
            connection.run(rewind_tests, {part.rewound, part.from});
            connection.run(rewind_diagnoses, {part.rewound, part.from});
        }
        for (std::size_t kind = 0; kind < kind_count; ++kind) {
            if (!part.rows[kind].empty()) {
                connection.run(statements[kind], {part.rows[kind] + "]"});
            }
        }
    }
}

}  // namespace probekeeper::hub

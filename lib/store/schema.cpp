#include "store/schema.h"

#include <spdlog/fmt/fmt.h>

#include <array>

namespace probekeeper::store {

namespace {

// Times are integer milliseconds UTC since 1970. NULL in a measured column is "not read".
constexpr MigrationStep layout_1 = R"sql(
CREATE TABLE probes (
    probe_key     INTEGER PRIMARY KEY,
    probe_id      TEXT NOT NULL UNIQUE,
    site_id       TEXT NOT NULL,
    first_seen_ms INTEGER NOT NULL,
    removed_at_ms INTEGER
) STRICT;
CREATE INDEX probes_of_site ON probes (site_id);

-- No foreign key on readings and minutes: a look-up for each row, and keys come from `probes` only.
CREATE TABLE readings (
    probe_key     INTEGER NOT NULL,
    time_ms       INTEGER NOT NULL,
    do_mg_l       REAL,
    do_percent    REAL,
    po2_hpa       REAL,
    temperature_c REAL,
    salinity_psu  REAL,
    pressure_hpa  REAL,
    airflow       REAL,
    known         INTEGER NOT NULL,
    marks         INTEGER NOT NULL,
    PRIMARY KEY (probe_key, time_ms)
) STRICT, WITHOUT ROWID;

-- Sums, not means: two parts of a minute can then be added.
CREATE TABLE minutes (
    probe_key           INTEGER NOT NULL,
    start_ms            INTEGER NOT NULL,
    count               INTEGER NOT NULL,
    marks               INTEGER NOT NULL,
    do_mg_l_count       INTEGER NOT NULL, do_mg_l_min       REAL, do_mg_l_sum       REAL, do_mg_l_max       REAL,
    do_percent_count    INTEGER NOT NULL, do_percent_min    REAL, do_percent_sum    REAL, do_percent_max    REAL,
    temperature_c_count INTEGER NOT NULL, temperature_c_min REAL, temperature_c_sum REAL, temperature_c_max REAL,
    salinity_psu_count  INTEGER NOT NULL, salinity_psu_min  REAL, salinity_psu_sum  REAL, salinity_psu_max  REAL,
    pressure_hpa_count  INTEGER NOT NULL, pressure_hpa_min  REAL, pressure_hpa_sum  REAL, pressure_hpa_max  REAL,
    airflow_count       INTEGER NOT NULL, airflow_min       REAL, airflow_sum       REAL, airflow_max       REAL,
    PRIMARY KEY (probe_key, start_ms)
) STRICT, WITHOUT ROWID;

-- Minutes that start before this are complete in `minutes`; from here on only `readings` is. Empty: all are.
CREATE TABLE minutes_unsettled (
    only    INTEGER PRIMARY KEY CHECK (only = 1),
    from_ms INTEGER NOT NULL
) STRICT;

-- Readings before this have been deleted and are not taken again: their minutes already hold them.
CREATE TABLE readings_expired (
    only      INTEGER PRIMARY KEY CHECK (only = 1),
    before_ms INTEGER NOT NULL
) STRICT;

CREATE TABLE response_tests (
    probe_key        INTEGER NOT NULL REFERENCES probes,
    time_ms          INTEGER NOT NULL,
    source           TEXT NOT NULL,
    model            TEXT NOT NULL,
    t90_s            REAL,
    low_s            REAL,
    high_s           REAL,
    at_temperature_c REAL,
    t90_20_s         REAL,
    used             INTEGER NOT NULL,
    set_aside        TEXT NOT NULL,
    PRIMARY KEY (probe_key, time_ms, source)
) STRICT, WITHOUT ROWID;

CREATE TABLE diagnoses (
    probe_key INTEGER NOT NULL REFERENCES probes,
    at_ms     INTEGER NOT NULL,
    condition TEXT NOT NULL,
    document  TEXT NOT NULL,
    PRIMARY KEY (probe_key, at_ms)
) STRICT;
CREATE TABLE newest_diagnoses (
    probe_key INTEGER PRIMARY KEY REFERENCES probes,
    at_ms     INTEGER NOT NULL,
    condition TEXT NOT NULL,
    document  TEXT NOT NULL
) STRICT;

CREATE TABLE checkpoints (
    site_id     TEXT NOT NULL,
    position_ms INTEGER NOT NULL,
    algorithm   TEXT NOT NULL,
    state       BLOB NOT NULL,
    PRIMARY KEY (site_id, position_ms)
) STRICT;

CREATE TABLE tickets (
    ticket_key         INTEGER PRIMARY KEY,
    site_id            TEXT NOT NULL,
    number             INTEGER NOT NULL,
    probe_key          INTEGER NOT NULL REFERENCES probes,
    state              TEXT NOT NULL,
    urgency            TEXT NOT NULL,
    opened_at_ms       INTEGER NOT NULL,
    updated_at_ms      INTEGER NOT NULL,
    due_ms             INTEGER,
    postponed_until_ms INTEGER,
    assigned_to        TEXT,
    seen_ms            INTEGER,
    found              TEXT,
    meanwhile          TEXT NOT NULL,
    UNIQUE (site_id, number)
) STRICT;
CREATE INDEX tickets_in_order ON tickets (opened_at_ms, site_id, number);
CREATE INDEX tickets_of_probe ON tickets (probe_key);
CREATE TABLE ticket_reasons (
    ticket_key    INTEGER NOT NULL REFERENCES tickets,
    place         INTEGER NOT NULL,
    code          TEXT NOT NULL,
    raised_at_ms  INTEGER NOT NULL,
    since_ms      INTEGER,
    due_ms        INTEGER,
    cleared_at_ms INTEGER,
    value         REAL,
    low           REAL,
    high          REAL,
    limit_value   REAL,
    unit          TEXT NOT NULL,
    probability   REAL,
    text          TEXT NOT NULL,
    PRIMARY KEY (ticket_key, place)
) STRICT, WITHOUT ROWID;
CREATE TABLE ticket_work (
    ticket_key INTEGER NOT NULL REFERENCES tickets,
    place      INTEGER NOT NULL,
    work       TEXT NOT NULL,
    PRIMARY KEY (ticket_key, place)
) STRICT, WITHOUT ROWID;
CREATE TABLE ticket_parts (
    ticket_key INTEGER NOT NULL REFERENCES tickets,
    place      INTEGER NOT NULL,
    part       TEXT NOT NULL,
    kind       TEXT NOT NULL,
    quantity   INTEGER NOT NULL,
    PRIMARY KEY (ticket_key, place)
) STRICT, WITHOUT ROWID;
CREATE TABLE ticket_cautions (
    ticket_key INTEGER NOT NULL REFERENCES tickets,
    place      INTEGER NOT NULL,
    caution    TEXT NOT NULL,
    PRIMARY KEY (ticket_key, place)
) STRICT, WITHOUT ROWID;
CREATE TABLE ticket_history (
    ticket_key INTEGER NOT NULL REFERENCES tickets,
    place      INTEGER NOT NULL,
    at_ms      INTEGER NOT NULL,
    state      TEXT NOT NULL,
    by_whom    TEXT NOT NULL,
    note       TEXT NOT NULL,
    PRIMARY KEY (ticket_key, place)
) STRICT, WITHOUT ROWID;

CREATE TABLE service_records (
    number              INTEGER PRIMARY KEY,
    time_ms             INTEGER NOT NULL,
    probe_key           INTEGER NOT NULL REFERENCES probes,
    kind                TEXT NOT NULL,
    dry_zero_mg_l       REAL,
    dry_zero_found_mg_l REAL,
    air_percent         REAL,
    reference_mg_l      REAL,
    reference_percent   REAL,
    probe_mg_l          REAL,
    pressure_hpa        REAL,
    serial              TEXT NOT NULL,
    visit               TEXT NOT NULL,
    by_whom             TEXT NOT NULL,
    note                TEXT NOT NULL,
    voided_at_ms        INTEGER,
    void_why            TEXT NOT NULL,
    void_by             TEXT NOT NULL
) STRICT;
CREATE INDEX service_records_in_order ON service_records (probe_key, time_ms, number);

CREATE TABLE answers (
    token     TEXT NOT NULL,
    path      TEXT NOT NULL,
    key       TEXT NOT NULL,
    body_hash TEXT NOT NULL,
    status    INTEGER NOT NULL,
    answer    TEXT NOT NULL,
    at_ms     INTEGER NOT NULL,
    PRIMARY KEY (token, path, key)
) STRICT;
CREATE INDEX answers_by_age ON answers (at_ms);

CREATE TABLE downtimes (
    stopped_at_ms INTEGER PRIMARY KEY,
    started_at_ms INTEGER NOT NULL
) STRICT;

-- What people did and were told is kept, whatever a later program believes.
CREATE TRIGGER ticket_history_is_not_rewritten BEFORE UPDATE ON ticket_history
    BEGIN SELECT RAISE(ABORT, 'the history of a ticket is appended, never rewritten'); END;
CREATE TRIGGER ticket_history_is_not_deleted BEFORE DELETE ON ticket_history
    BEGIN SELECT RAISE(ABORT, 'the history of a ticket is appended, never rewritten'); END;
CREATE TRIGGER tickets_are_not_deleted BEFORE DELETE ON tickets
    BEGIN SELECT RAISE(ABORT, 'a ticket is withdrawn or closed, never deleted'); END;
CREATE TRIGGER service_records_are_not_deleted BEFORE DELETE ON service_records
    BEGIN SELECT RAISE(ABORT, 'a service record is voided with a reason, never deleted'); END;
)sql";

// The day that a visit is planned for; and what is not watched for a while. A line of out_of_use without a
// probe is of the whole site, one without an end lasts until it is given one.
constexpr MigrationStep layout_2 = R"sql(
ALTER TABLE tickets ADD COLUMN planned_for TEXT;

CREATE TABLE out_of_use (
    number     INTEGER PRIMARY KEY,
    site_id    TEXT NOT NULL,
    probe_id   TEXT,
    from_ms    INTEGER NOT NULL,
    until_ms   INTEGER,
    why        TEXT NOT NULL,
    by_whom    TEXT NOT NULL,
    told_at_ms INTEGER NOT NULL,
    ended_by   TEXT NOT NULL
) STRICT;
CREATE INDEX out_of_use_of_site ON out_of_use (site_id);
CREATE TRIGGER out_of_use_is_not_deleted BEFORE DELETE ON out_of_use
    BEGIN SELECT RAISE(ABORT, 'being out of use is ended, never deleted'); END;
)sql";

// Sites have numbers for a SCADA system, given once. Messages wait in `notices` for their receivers, and stay
// after that: an id that was given again is known by it.
constexpr MigrationStep layout_3 = R"sql(
CREATE TABLE site_numbers (
    number  INTEGER PRIMARY KEY,
    site_id TEXT NOT NULL UNIQUE
) STRICT;

CREATE TABLE notices (
    place         INTEGER PRIMARY KEY,
    notice_id     TEXT NOT NULL UNIQUE,
    receiver      TEXT NOT NULL,
    kind          TEXT NOT NULL,
    site_id       TEXT NOT NULL,
    at_ms         INTEGER NOT NULL,
    not_before_ms INTEGER NOT NULL,
    digest        TEXT NOT NULL,
    subject       TEXT NOT NULL,
    text          TEXT NOT NULL,
    document      TEXT NOT NULL,
    tries         INTEGER NOT NULL,
    outcome       TEXT NOT NULL,
    done_at_ms    INTEGER
) STRICT;
CREATE INDEX notices_waiting ON notices (receiver, not_before_ms, place) WHERE done_at_ms IS NULL;
CREATE INDEX notices_by_age ON notices (done_at_ms) WHERE done_at_ms IS NOT NULL;
)sql";

// Readings become groups and blocks (readings.h), minutes are of expired readings only. The rows of before
// are moved by the program (old_rows.h), which then drops their tables.
constexpr MigrationStep layout_4 = R"sql(
-- Of the water where readings do not say; NULL until the probe is enrolled again.
ALTER TABLE probes ADD COLUMN water_salinity_psu REAL;
ALTER TABLE probes ADD COLUMN water_pressure_hpa REAL;

ALTER TABLE readings RENAME TO old_readings;
ALTER TABLE minutes RENAME TO old_minutes;
DROP TABLE minutes_unsettled;

CREATE TABLE reading_groups (
    group_key INTEGER PRIMARY KEY,
    first_ms  INTEGER NOT NULL,
    last_ms   INTEGER NOT NULL,
    data      BLOB NOT NULL
) STRICT;

-- By number, so that new blocks fill pages to the end; found by the index.
CREATE TABLE blocks (
    block_key INTEGER PRIMARY KEY,
    probe_key INTEGER NOT NULL,
    first_ms  INTEGER NOT NULL,
    last_ms   INTEGER NOT NULL,
    count     INTEGER NOT NULL,
    hours     BLOB NOT NULL,
    data      BLOB NOT NULL
) STRICT;
CREATE INDEX blocks_of_probe ON blocks (probe_key, first_ms, last_ms);

CREATE TABLE minute_blocks (
    block_key INTEGER PRIMARY KEY,
    probe_key INTEGER NOT NULL,
    first_ms  INTEGER NOT NULL,
    last_ms   INTEGER NOT NULL,
    count     INTEGER NOT NULL,
    data      BLOB NOT NULL
) STRICT;
CREATE INDEX minute_blocks_of_probe ON minute_blocks (probe_key, first_ms, last_ms);
)sql";

constexpr MigrationStep layout_5 = R"sql(
-- Ids go on over restarts: a client asks for what came behind the last one it saw.
CREATE TABLE events (
    id      INTEGER PRIMARY KEY,
    at_ms   INTEGER NOT NULL,
    kind    TEXT NOT NULL,
    site_id TEXT NOT NULL,
    data    TEXT NOT NULL
) STRICT;

-- Who changed what through the API.
CREATE TABLE changes (
    number  INTEGER PRIMARY KEY,
    at_ms   INTEGER NOT NULL,
    who     TEXT NOT NULL,
    address TEXT NOT NULL,
    method  TEXT NOT NULL,
    path    TEXT NOT NULL,
    status  INTEGER NOT NULL
) STRICT;
CREATE TRIGGER changes_are_not_rewritten BEFORE UPDATE ON changes
    BEGIN SELECT RAISE(ABORT, 'who changed what is appended, never rewritten'); END;
CREATE TRIGGER changes_are_not_deleted BEFORE DELETE ON changes
    BEGIN SELECT RAISE(ABORT, 'who changed what is appended, never rewritten'); END;
)sql";

// What people were told of a week, and when somebody asked to begin again: the last row of a week counts.
constexpr MigrationStep layout_6 = R"sql(
CREATE TABLE rounds (
    number   INTEGER PRIMARY KEY,
    week     TEXT NOT NULL,
    what     TEXT NOT NULL,
    at_ms    INTEGER NOT NULL,
    by_whom  TEXT NOT NULL,
    document TEXT NOT NULL
) STRICT;
CREATE INDEX rounds_of_week ON rounds (week, number);
CREATE TRIGGER rounds_are_not_rewritten BEFORE UPDATE ON rounds
    BEGIN SELECT RAISE(ABORT, 'a round that people were told is followed by another, never rewritten'); END;
CREATE TRIGGER rounds_are_not_deleted BEFORE DELETE ON rounds
    BEGIN SELECT RAISE(ABORT, 'a round that people were told is followed by another, never deleted'); END;
)sql";

// What the readings say of the work on a ticket; and when a probe was seen in somebody's hands.
constexpr MigrationStep layout_7 = R"sql(
ALTER TABLE tickets ADD COLUMN proof_at_ms INTEGER;
ALTER TABLE tickets ADD COLUMN proof_work_ms INTEGER;
ALTER TABLE tickets ADD COLUMN proof_restored INTEGER;
ALTER TABLE tickets ADD COLUMN proof_text TEXT;
CREATE TABLE ticket_proof (
    ticket_key  INTEGER NOT NULL REFERENCES tickets,
    place       INTEGER NOT NULL,
    quantity    TEXT NOT NULL,
    before      REAL,
    after       REAL,
    limit_value REAL,
    unit        TEXT NOT NULL,
    PRIMARY KEY (ticket_key, place)
) STRICT, WITHOUT ROWID;

-- From at_ms on it was in this state; known_ms: the reading time at which that showed.
CREATE TABLE service_states (
    probe_key INTEGER NOT NULL,
    at_ms     INTEGER NOT NULL,
    known_ms  INTEGER NOT NULL,
    state     TEXT NOT NULL,
    PRIMARY KEY (probe_key, at_ms, known_ms)
) STRICT, WITHOUT ROWID;
)sql";

// For a hub: feed.h. All of it empty where there is none.
// Beside it, blocks may be of a second form, and without hours (block.h): older programs would refuse the one
// and overlook readings of the other.
constexpr MigrationStep layout_8 = R"sql(
CREATE TABLE feed (
    only_row     INTEGER PRIMARY KEY CHECK (only_row = 1),
    daemon       TEXT NOT NULL,
    feeding      INTEGER NOT NULL,
    facts_told   INTEGER NOT NULL DEFAULT 0,
    hours_told   INTEGER NOT NULL DEFAULT 0,
    facts_trying INTEGER NOT NULL DEFAULT 0,
    hours_trying INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE TABLE feed_sites (
    site_id TEXT PRIMARY KEY
) STRICT, WITHOUT ROWID;

-- AUTOINCREMENT: a number is never given twice, though the highest row is told and deleted.
CREATE TABLE outbox (
    seq      INTEGER PRIMARY KEY AUTOINCREMENT,
    kind     TEXT NOT NULL,
    site_id  TEXT NOT NULL,
    probe_id TEXT NOT NULL,
    detail   TEXT NOT NULL,
    number   INTEGER NOT NULL,
    noted_s  INTEGER NOT NULL DEFAULT (unixepoch()),
    UNIQUE (kind, site_id, probe_id, detail, number)
) STRICT;
CREATE TABLE hours_due (
    seq       INTEGER PRIMARY KEY AUTOINCREMENT,
    probe_key INTEGER NOT NULL,
    hour_ms   INTEGER NOT NULL,
    UNIQUE (probe_key, hour_ms)
) STRICT;
-- The newest hour of each probe that has readings. Until it is over it is not due; what comes afterwards makes it due.
CREATE TABLE newest_hours (
    probe_key INTEGER PRIMARY KEY,
    hour_ms   INTEGER NOT NULL,
    over      INTEGER NOT NULL
) STRICT;
CREATE INDEX newest_hours_open ON newest_hours (hour_ms) WHERE over = 0;
-- Probes whose past is to be told: the evidence at once, then the hours before hours_before_ms, a day at a time.
CREATE TABLE retelling (
    probe_key       INTEGER PRIMARY KEY,
    evidence        INTEGER NOT NULL,
    hours_before_ms INTEGER NOT NULL
) STRICT;

CREATE TABLE step_outcomes (
    site_id      TEXT NOT NULL,
    step_id      TEXT NOT NULL,
    at_ms        INTEGER NOT NULL,
    status       INTEGER NOT NULL,
    content_type TEXT NOT NULL,
    body         TEXT NOT NULL,
    PRIMARY KEY (site_id, step_id)
) STRICT, WITHOUT ROWID;
CREATE INDEX step_outcomes_by_id ON step_outcomes (step_id);
)sql";

constexpr std::array all_layouts{layout_1, layout_2, layout_3, layout_4,
                                 layout_5, layout_6, layout_7, layout_8};

std::int64_t layout_of(Database& db) {
    return db.integer_of("PRAGMA user_version");
}

}  // namespace

std::span<MigrationStep const> layouts() {
    return all_layouts;
}

void migrate(Database& db, std::span<MigrationStep const> steps) {
    auto const newest = static_cast<std::int64_t>(steps.size());
    auto const found = layout_of(db);
    if (found > newest) {
        refuse(Fault::newer,
               fmt::format(
                   "store '{}' has layout {} and this program knows layouts up to {}: it was written by a "
                   "newer version; run that version, or give this one its own store.path",
                   db.path().string(), found, newest));
    }
    if (found < 0 || (found == 0 && db.integer_of("SELECT count(*) FROM sqlite_schema") > 0)) {
        refuse(Fault::foreign,
               fmt::format("'{}' is a database of some other program, not a store: correct store.path",
                           db.path().string()));
    }
    for (auto layout = found; layout < newest; ++layout) {
        Transaction transaction{db};
        db.run(steps[static_cast<std::size_t>(layout)]);
        db.run(fmt::format("PRAGMA user_version = {}", layout + 1));
        transaction.commit();
    }
}

void require_layout(Database& db, std::span<MigrationStep const> steps) {
    auto const newest = static_cast<std::int64_t>(steps.size());
    auto const found = layout_of(db);
    if (found != newest) {
        refuse(found > newest ? Fault::newer : Fault::older,
               fmt::format("store '{}' has layout {} and this program reads layout {}: {}",
                           db.path().string(), found, newest,
                           found > newest ? "use the newer version that wrote it"
                                          : "start `run` on it once, which brings it up to date"));
    }
}

}  // namespace probekeeper::store

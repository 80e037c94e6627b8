-- A store of layout 3 as it was released, made by `.dump`. Never edited: opening_test.cpp walks it to today.
PRAGMA foreign_keys=OFF;
BEGIN TRANSACTION;
CREATE TABLE probes (
    probe_key     INTEGER PRIMARY KEY,
    probe_id      TEXT NOT NULL UNIQUE,
    site_id       TEXT NOT NULL,
    first_seen_ms INTEGER NOT NULL,
    removed_at_ms INTEGER
) STRICT;
INSERT INTO probes VALUES(1,'a-1','a',1772323200000,NULL);
INSERT INTO probes VALUES(2,'a-2','a',1772323200000,NULL);
INSERT INTO probes VALUES(3,'b-1','b',1772323200000,1772409600000);
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
INSERT INTO readings VALUES(1,1772323200000,7.0,NULL,NULL,14.5,NULL,NULL,NULL,2,2);
INSERT INTO readings VALUES(1,1772323260000,7.25,NULL,NULL,14.5,NULL,NULL,NULL,2,2);
INSERT INTO readings VALUES(1,1772323320000,7.5,NULL,NULL,14.5,NULL,NULL,NULL,2,2);
INSERT INTO readings VALUES(1,1772323380000,7.75,NULL,NULL,14.5,NULL,NULL,NULL,2,2);
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
INSERT INTO minutes VALUES(1,1772323200000,1,2,1,7.0,7.0,7.0,0,NULL,NULL,NULL,1,14.5,14.5,14.5,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL);
INSERT INTO minutes VALUES(1,1772323260000,1,2,1,7.25,7.25,7.25,0,NULL,NULL,NULL,1,14.5,14.5,14.5,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL);
INSERT INTO minutes VALUES(1,1772323320000,1,2,1,7.5,7.5,7.5,0,NULL,NULL,NULL,1,14.5,14.5,14.5,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL);
CREATE TABLE minutes_unsettled (
    only    INTEGER PRIMARY KEY CHECK (only = 1),
    from_ms INTEGER NOT NULL
) STRICT;
INSERT INTO minutes_unsettled VALUES(1,1772323380000);
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
INSERT INTO response_tests VALUES(1,1772323200000,'cleaning','first_order',92.099999999999994319,84.0,101.29999999999999715,14.5,77.249999999999999999,1,'');
CREATE TABLE diagnoses (
    probe_key INTEGER NOT NULL REFERENCES probes,
    at_ms     INTEGER NOT NULL,
    condition TEXT NOT NULL,
    document  TEXT NOT NULL,
    PRIMARY KEY (probe_key, at_ms)
) STRICT;
INSERT INTO diagnoses VALUES(1,1772323200000,'good','{"probe":"a-1"}');
CREATE TABLE newest_diagnoses (
    probe_key INTEGER PRIMARY KEY REFERENCES probes,
    at_ms     INTEGER NOT NULL,
    condition TEXT NOT NULL,
    document  TEXT NOT NULL
) STRICT;
INSERT INTO newest_diagnoses VALUES(1,1772323200000,'good','{"probe":"a-1"}');
CREATE TABLE checkpoints (
    site_id     TEXT NOT NULL,
    position_ms INTEGER NOT NULL,
    algorithm   TEXT NOT NULL,
    state       BLOB NOT NULL,
    PRIMARY KEY (site_id, position_ms)
) STRICT;
INSERT INTO checkpoints VALUES('a',1772323200000,'v1',X'0100ff');
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
    meanwhile          TEXT NOT NULL, planned_for TEXT,
    UNIQUE (site_id, number)
) STRICT;
INSERT INTO tickets VALUES(1,'a',17,1,'planned','this_week',1772323200017,1772323201001,1772323201002,1772323201003,'t1',1772323201004,'as_diagnosed','Control no faster than every 8 minutes: "late", not ''wrong''; °','2026-03-05');
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
INSERT INTO ticket_reasons VALUES(1,0,'slow_response',1772323202000,1772323202001,1772323202002,1772323202003,92.099999999999994319,84.0,101.29999999999999715,82.0,'s',0.98999999999999999111,'T90 is 92 s, 2.2 times its 41 s when freshly serviced');
INSERT INTO ticket_reasons VALUES(1,1,'stuck',1772323200000,NULL,NULL,NULL,NULL,NULL,NULL,NULL,'',0.0,'');
CREATE TABLE ticket_work (
    ticket_key INTEGER NOT NULL REFERENCES tickets,
    place      INTEGER NOT NULL,
    work       TEXT NOT NULL,
    PRIMARY KEY (ticket_key, place)
) STRICT, WITHOUT ROWID;
INSERT INTO ticket_work VALUES(1,0,'wipe_membrane');
INSERT INTO ticket_work VALUES(1,1,'lift_test');
CREATE TABLE ticket_parts (
    ticket_key INTEGER NOT NULL REFERENCES tickets,
    place      INTEGER NOT NULL,
    part       TEXT NOT NULL,
    kind       TEXT NOT NULL,
    quantity   INTEGER NOT NULL,
    PRIMARY KEY (ticket_key, place)
) STRICT, WITHOUT ROWID;
INSERT INTO ticket_parts VALUES(1,0,'membrane','cap-25um',1);
INSERT INTO ticket_parts VALUES(1,1,'electrolyte_ml','',5);
CREATE TABLE ticket_cautions (
    ticket_key INTEGER NOT NULL REFERENCES tickets,
    place      INTEGER NOT NULL,
    caution    TEXT NOT NULL,
    PRIMARY KEY (ticket_key, place)
) STRICT, WITHOUT ROWID;
INSERT INTO ticket_cautions VALUES(1,0,'slippery');
CREATE TABLE ticket_history (
    ticket_key INTEGER NOT NULL REFERENCES tickets,
    place      INTEGER NOT NULL,
    at_ms      INTEGER NOT NULL,
    state      TEXT NOT NULL,
    by_whom    TEXT NOT NULL,
    note       TEXT NOT NULL,
    PRIMARY KEY (ticket_key, place)
) STRICT, WITHOUT ROWID;
INSERT INTO ticket_history VALUES(1,0,1772323200000,'open','probekeeperd','opened');
INSERT INTO ticket_history VALUES(1,1,1772323200005,'planned','someone','');
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
INSERT INTO service_records VALUES(1,1772323200000,1,'membrane_change',0.010000000000000000208,0.11999999999999999555,103.49999999999999999,8.0999999999999996447,97.0,7.9000000000000003552,1009.4999999999999999,'GX-0417','v7','t1','=1+1',NULL,'','');
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
INSERT INTO answers VALUES('alice','/v1/x','k1','hash',201,'{}',1772323200000);
CREATE TABLE downtimes (
    stopped_at_ms INTEGER PRIMARY KEY,
    started_at_ms INTEGER NOT NULL
) STRICT;
INSERT INTO downtimes VALUES(1772323200000,1772409600000);
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
INSERT INTO out_of_use VALUES(1,'a','a-2',1772323200000,1772409600000,'drained','t1',1772323200000,'');
INSERT INTO out_of_use VALUES(2,'b',NULL,1772323200000,NULL,'fallow','t1',1772323200000,'');
CREATE TABLE site_numbers (
    number  INTEGER PRIMARY KEY,
    site_id TEXT NOT NULL UNIQUE
) STRICT;
INSERT INTO site_numbers VALUES(1,'b');
INSERT INTO site_numbers VALUES(2,'a');
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
INSERT INTO notices VALUES(1,'n1','ops','ticket','a',1772323200000,1772323200000,'','subject','text','{}',2,'',NULL);
CREATE INDEX probes_of_site ON probes (site_id);
CREATE INDEX tickets_in_order ON tickets (opened_at_ms, site_id, number);
CREATE INDEX tickets_of_probe ON tickets (probe_key);
CREATE INDEX service_records_in_order ON service_records (probe_key, time_ms, number);
CREATE INDEX answers_by_age ON answers (at_ms);
CREATE TRIGGER ticket_history_is_not_rewritten BEFORE UPDATE ON ticket_history
    BEGIN SELECT RAISE(ABORT, 'the history of a ticket is appended, never rewritten'); END;
CREATE TRIGGER ticket_history_is_not_deleted BEFORE DELETE ON ticket_history
    BEGIN SELECT RAISE(ABORT, 'the history of a ticket is appended, never rewritten'); END;
CREATE TRIGGER tickets_are_not_deleted BEFORE DELETE ON tickets
    BEGIN SELECT RAISE(ABORT, 'a ticket is withdrawn or closed, never deleted'); END;
CREATE TRIGGER service_records_are_not_deleted BEFORE DELETE ON service_records
    BEGIN SELECT RAISE(ABORT, 'a service record is voided with a reason, never deleted'); END;
CREATE INDEX out_of_use_of_site ON out_of_use (site_id);
CREATE TRIGGER out_of_use_is_not_deleted BEFORE DELETE ON out_of_use
    BEGIN SELECT RAISE(ABORT, 'being out of use is ended, never deleted'); END;
CREATE INDEX notices_waiting ON notices (receiver, not_before_ms, place) WHERE done_at_ms IS NULL;
CREATE INDEX notices_by_age ON notices (done_at_ms) WHERE done_at_ms IS NOT NULL;
COMMIT;
PRAGMA user_version = 3;

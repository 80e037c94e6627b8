-- A store of layout 7 as it was released, made by `.dump`. Never edited: opening_test.cpp walks it to today.
PRAGMA foreign_keys=OFF;
BEGIN TRANSACTION;
CREATE TABLE probes (
    probe_key     INTEGER PRIMARY KEY,
    probe_id      TEXT NOT NULL UNIQUE,
    site_id       TEXT NOT NULL,
    first_seen_ms INTEGER NOT NULL,
    removed_at_ms INTEGER
, water_salinity_psu REAL, water_pressure_hpa REAL) STRICT;
INSERT INTO probes VALUES(1,'a-1','a',1772323200000,NULL,0.0,1013.2499999999999999);
INSERT INTO probes VALUES(2,'a-2','a',1772323200000,NULL,0.0,1013.2499999999999999);
INSERT INTO probes VALUES(3,'b-1','b',1772323200000,1772409600000,0.0,1013.2499999999999999);
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
INSERT INTO response_tests VALUES(1,1772323800000,'cleaning','first_order',41.5,0.0,0.0,NULL,0.0,1,'');
CREATE TABLE diagnoses (
    probe_key INTEGER NOT NULL REFERENCES probes,
    at_ms     INTEGER NOT NULL,
    condition TEXT NOT NULL,
    document  TEXT NOT NULL,
    PRIMARY KEY (probe_key, at_ms)
) STRICT;
INSERT INTO diagnoses VALUES(1,1772324100000,'maintenance_required','{"probe":"a-1"}');
CREATE TABLE newest_diagnoses (
    probe_key INTEGER PRIMARY KEY REFERENCES probes,
    at_ms     INTEGER NOT NULL,
    condition TEXT NOT NULL,
    document  TEXT NOT NULL
) STRICT;
INSERT INTO newest_diagnoses VALUES(1,1772324100000,'maintenance_required','{"probe":"a-1"}');
CREATE TABLE checkpoints (
    site_id     TEXT NOT NULL,
    position_ms INTEGER NOT NULL,
    algorithm   TEXT NOT NULL,
    state       BLOB NOT NULL,
    PRIMARY KEY (site_id, position_ms)
) STRICT;
INSERT INTO checkpoints VALUES('a',1772324400000,'v1',X'010203');
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
    meanwhile          TEXT NOT NULL, planned_for TEXT, proof_at_ms INTEGER, proof_work_ms INTEGER, proof_restored INTEGER, proof_text TEXT,
    UNIQUE (site_id, number)
) STRICT;
INSERT INTO tickets VALUES(1,'a',17,1,'planned','this_week',1772323200017,1772323201001,1772323201002,1772323201003,'t1',1772323201004,'as_diagnosed','Control no faster than every 8 minutes: "late", not ''wrong''; °','2026-03-05',NULL,NULL,NULL,NULL);
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
INSERT INTO service_records VALUES(1,1772323230000,1,'membrane_change',0.010000000000000000208,0.11999999999999999555,103.49999999999999999,8.0999999999999996447,97.0,7.9000000000000003552,1009.4999999999999999,'GX-0417','v7','t1','=1+1',NULL,'','');
INSERT INTO service_records VALUES(2,1772323260000,1,'membrane_change',0.010000000000000000208,0.11999999999999999555,103.49999999999999999,8.0999999999999996447,97.0,7.9000000000000003552,1009.4999999999999999,'GX-0417','v7','t1','=1+1',1772323290000,'wrong probe','t1');
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
INSERT INTO answers VALUES('alice','/v1/x','k1','hash',201,'{}',1772323201000);
CREATE TABLE downtimes (
    stopped_at_ms INTEGER PRIMARY KEY,
    started_at_ms INTEGER NOT NULL
) STRICT;
INSERT INTO downtimes VALUES(1772322700000,1772323200000);
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
CREATE TABLE site_numbers (
    number  INTEGER PRIMARY KEY,
    site_id TEXT NOT NULL UNIQUE
) STRICT;
INSERT INTO site_numbers VALUES(1,'a');
INSERT INTO site_numbers VALUES(2,'b');
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
INSERT INTO notices VALUES(1,'n1','ops','ticket','a',1772323200000,1772323200000,'','subject','text','{}',0,'',NULL);
CREATE TABLE reading_groups (
    group_key INTEGER PRIMARY KEY,
    first_ms  INTEGER NOT NULL,
    last_ms   INTEGER NOT NULL,
    data      BLOB NOT NULL
) STRICT;
CREATE TABLE blocks (
    block_key INTEGER PRIMARY KEY,
    probe_key INTEGER NOT NULL,
    first_ms  INTEGER NOT NULL,
    last_ms   INTEGER NOT NULL,
    count     INTEGER NOT NULL,
    hours     BLOB NOT NULL,
    data      BLOB NOT NULL
) STRICT;
INSERT INTO blocks VALUES(1,1,1772323200000,1772324390000,120,X'80f08eeb9467780378c1b50381f4030000000000208c400078a18a07a18a070000000000309b40000000',X'28b52ffd20f47d0200a403017880f08eeb9467a09c010000000003780101020b00aa8f400001780200d03f02013802020206030100040002007800017800002d400200780007003946aaef6230680c257d20308e634fba3b');
INSERT INTO blocks VALUES(2,2,1772323201000,1772324391000,120,X'80f08eeb9467780378c1b50381f4030000000000208c400078a18a07a18a070000000000309b4078c1910fc1910f000000000010ad40007881cc3a81cc3a000000000020cc40',X'28b52ffd600200a50200a4030178d0ff8eeb9467a09c010000000003780101020b00aa8f400001780200d03f02013802020206030100040002007800017800002d013f405e400900407584611f0b5735b781e16528e90381711c7bd2dd01');
INSERT INTO blocks VALUES(3,3,1772323202000,1772324392000,120,X'80f08eeb9467780378c1b50381f4030000000000208c400078a18a07a18a070000000000309b40000000',X'28b52ffd20f47d0200a4030178a08f8feb9467a09c010000000003780101020b00aa8f400001780200d03f02013802020206030100040002007800017800002d400200780007003946aaef6230680c257d20308e634fba3b');
INSERT INTO blocks VALUES(4,1,1772324400000,1772324490000,10,X'80f08eeb94670a000ad18304d183040000000000a054400000000000',X'28b52ffd204d550100d8010a80aea1ec9467a09c01000a000a00aa8f4000010a802040000205002800865afa275600130b2401');
CREATE TABLE minute_blocks (
    block_key INTEGER PRIMARY KEY,
    probe_key INTEGER NOT NULL,
    first_ms  INTEGER NOT NULL,
    last_ms   INTEGER NOT NULL,
    count     INTEGER NOT NULL,
    data      BLOB NOT NULL
) STRICT;
CREATE TABLE events (
    id      INTEGER PRIMARY KEY,
    at_ms   INTEGER NOT NULL,
    kind    TEXT NOT NULL,
    site_id TEXT NOT NULL,
    data    TEXT NOT NULL
) STRICT;
INSERT INTO events VALUES(7,1772323200000,'ticket','a','{"id":"a-17"}');
CREATE TABLE changes (
    number  INTEGER PRIMARY KEY,
    at_ms   INTEGER NOT NULL,
    who     TEXT NOT NULL,
    address TEXT NOT NULL,
    method  TEXT NOT NULL,
    path    TEXT NOT NULL,
    status  INTEGER NOT NULL
) STRICT;
INSERT INTO changes VALUES(1,1772323200000,'alice','127.0.0.1','POST','/v1/x',201);
CREATE TABLE rounds (
    number   INTEGER PRIMARY KEY,
    week     TEXT NOT NULL,
    what     TEXT NOT NULL,
    at_ms    INTEGER NOT NULL,
    by_whom  TEXT NOT NULL,
    document TEXT NOT NULL
) STRICT;
INSERT INTO rounds VALUES(1,'2026-W10','published',1772323200000,'planner','{"week":"2026-W10"}');
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
CREATE TABLE service_states (
    probe_key INTEGER NOT NULL,
    at_ms     INTEGER NOT NULL,
    known_ms  INTEGER NOT NULL,
    state     TEXT NOT NULL,
    PRIMARY KEY (probe_key, at_ms, known_ms)
) STRICT, WITHOUT ROWID;
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
CREATE INDEX blocks_of_probe ON blocks (probe_key, first_ms, last_ms);
CREATE INDEX minute_blocks_of_probe ON minute_blocks (probe_key, first_ms, last_ms);
CREATE TRIGGER changes_are_not_rewritten BEFORE UPDATE ON changes
    BEGIN SELECT RAISE(ABORT, 'who changed what is appended, never rewritten'); END;
CREATE TRIGGER changes_are_not_deleted BEFORE DELETE ON changes
    BEGIN SELECT RAISE(ABORT, 'who changed what is appended, never rewritten'); END;
CREATE INDEX rounds_of_week ON rounds (week, number);
CREATE TRIGGER rounds_are_not_rewritten BEFORE UPDATE ON rounds
    BEGIN SELECT RAISE(ABORT, 'a round that people were told is followed by another, never rewritten'); END;
CREATE TRIGGER rounds_are_not_deleted BEFORE DELETE ON rounds
    BEGIN SELECT RAISE(ABORT, 'a round that people were told is followed by another, never deleted'); END;
COMMIT;
PRAGMA user_version = 7;

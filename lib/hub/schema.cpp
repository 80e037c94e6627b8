#include "hub/schema.h"

#include <spdlog/fmt/fmt.h>

#include <array>

namespace probekeeper::hub {

namespace {

// Begins with the site in every key, and is partitioned by it: nothing that one site writes meets what
// another does, and a database that shards by a column finds that column everywhere.
constexpr char const* layout_1 = R"sql(
-- How far each daemon has told: moved in the transaction that holds what was told, from the number that the daemon
-- believed it had, so that nothing is told twice or left out, whatever is cut when.
CREATE TABLE probekeeper.feeds (
    daemon      text PRIMARY KEY,
    login       text NOT NULL DEFAULT current_user,
    seq         bigint NOT NULL,
    summary_seq bigint NOT NULL,
    heard_at    timestamptz NOT NULL,
    version     text NOT NULL
);

-- A site belongs to one daemon. To hand it over: UPDATE probekeeper.sites SET daemon = …, login = … WHERE site_id = …
CREATE TABLE probekeeper.sites (
    site_id       text PRIMARY KEY,
    daemon        text NOT NULL,
    login         text NOT NULL DEFAULT current_user,
    document      jsonb,
    configuration text,
    -- So that hubs see what changed without reading it all.
    configuration_md5 text GENERATED ALWAYS AS (md5(configuration)) STORED,
    heard_at      timestamptz NOT NULL,
    removed_at    timestamptz
);
CREATE INDEX sites_of_daemon ON probekeeper.sites (daemon);
CREATE INDEX sites_of_login ON probekeeper.sites (login);

CREATE TABLE probekeeper.probes (
    site_id      text NOT NULL,
    probe_id     text NOT NULL,
    document     jsonb NOT NULL,
    condition    text NOT NULL,
    ne107        text,
    last_reading jsonb,
    diagnosis    text,
    diagnosis_at timestamptz,
    removed_at   timestamptz,
    PRIMARY KEY (site_id, probe_id)
);
CREATE INDEX probes_by_id ON probekeeper.probes (probe_id, site_id);
-- Few have a forecast, and every round asks for those.
CREATE INDEX probes_with_forecast ON probekeeper.probes (site_id, probe_id)
    WHERE position('"forecast":{' IN diagnosis) > 0;

CREATE TABLE probekeeper.diagnoses (
    site_id   text NOT NULL,
    probe_id  text NOT NULL,
    at        timestamptz NOT NULL,
    condition text NOT NULL,
    document  text NOT NULL,
    PRIMARY KEY (site_id, probe_id, at)
) PARTITION BY HASH (site_id);

CREATE TABLE probekeeper.response_tests (
    site_id  text NOT NULL,
    probe_id text NOT NULL,
    time     timestamptz NOT NULL,
    source   text NOT NULL,
    document jsonb NOT NULL,
    PRIMARY KEY (site_id, probe_id, time, source)
) PARTITION BY HASH (site_id);

-- An hour of a probe. Arrays of equal length: the minutes of the hour that have readings, and of each how many, their
-- flags together, and of each quantity, where it was read in that hour at all, count, least, sum and greatest; in a
-- minute without a value of it the count is 0 and the others NULL.
CREATE TABLE probekeeper.summaries (
    site_id  text NOT NULL,
    probe_id text NOT NULL,
    hour     timestamptz NOT NULL,
    minutes  smallint[] NOT NULL,
    counts   int[] NOT NULL,
    marks    int[] NOT NULL,
    do_mg_l_count       int[], do_mg_l_min       real[], do_mg_l_sum       float8[], do_mg_l_max       real[],
    do_percent_count    int[], do_percent_min    real[], do_percent_sum    float8[], do_percent_max    real[],
    temperature_c_count int[], temperature_c_min real[], temperature_c_sum float8[], temperature_c_max real[],
    salinity_psu_count  int[], salinity_psu_min  real[], salinity_psu_sum  float8[], salinity_psu_max  real[],
    pressure_hpa_count  int[], pressure_hpa_min  real[], pressure_hpa_sum  float8[], pressure_hpa_max  real[],
    airflow_count       int[], airflow_min       real[], airflow_sum       float8[], airflow_max       real[],
    PRIMARY KEY (site_id, probe_id, hour)
) PARTITION BY HASH (site_id);

CREATE TABLE probekeeper.tickets (
    site_id    text NOT NULL,
    number     bigint NOT NULL,
    probe_id   text NOT NULL,
    state      text NOT NULL,
    urgency    text NOT NULL,
    opened_at  timestamptz NOT NULL,
    updated_at timestamptz NOT NULL,
    reasons    text[] NOT NULL,
    document   jsonb NOT NULL,
    xid        xid8 NOT NULL DEFAULT pg_current_xact_id(), -- of its last change, see stamp()
    PRIMARY KEY (site_id, number)
) PARTITION BY HASH (site_id);
CREATE INDEX tickets_by_change ON probekeeper.tickets (xid, site_id, number);
CREATE INDEX tickets_by_opening ON probekeeper.tickets (opened_at, site_id, number);
CREATE INDEX tickets_of_probe ON probekeeper.tickets (site_id, probe_id);
CREATE INDEX tickets_unfinished ON probekeeper.tickets (opened_at, site_id, number)
    WHERE state NOT IN ('verified', 'closed', 'withdrawn');

-- Service records; `document` says too whether it was voided.
CREATE TABLE probekeeper.records (
    site_id  text NOT NULL,
    number   bigint NOT NULL,
    probe_id text NOT NULL,
    time     timestamptz NOT NULL,
    serial   text,
    document jsonb NOT NULL,
    xid      xid8 NOT NULL DEFAULT pg_current_xact_id(),
    PRIMARY KEY (site_id, number)
) PARTITION BY HASH (site_id);
CREATE INDEX records_by_change ON probekeeper.records (xid, site_id, number);
CREATE INDEX records_of_probe ON probekeeper.records (site_id, probe_id, time, number);
CREATE INDEX records_by_serial ON probekeeper.records (serial) WHERE serial IS NOT NULL;

-- Hubs follow what changes by the transaction that changed it: below pg_snapshot_xmin nothing comes later any more.
CREATE FUNCTION probekeeper.stamp() RETURNS trigger LANGUAGE plpgsql AS
    $$ BEGIN NEW.xid := pg_catalog.pg_current_xact_id(); RETURN NEW; END $$;
CREATE TRIGGER stamp BEFORE INSERT OR UPDATE ON probekeeper.tickets
    FOR EACH ROW EXECUTE FUNCTION probekeeper.stamp();
CREATE TRIGGER stamp BEFORE INSERT OR UPDATE ON probekeeper.records
    FOR EACH ROW EXECUTE FUNCTION probekeeper.stamp();

CREATE TABLE probekeeper.out_of_use (
    site_id  text NOT NULL,
    number   bigint NOT NULL,
    probe_id text, -- none: the whole site
    document jsonb NOT NULL,
    PRIMARY KEY (site_id, number)
);

-- In the order of (xid, id) below pg_snapshot_xmin(pg_current_snapshot()), nothing is added any more before what was
-- read. (site_event, at) names it at its site: told twice, it is one.
CREATE SEQUENCE probekeeper.event_ids;
CREATE TABLE probekeeper.events (
    site_id    text NOT NULL,
    id         bigint NOT NULL DEFAULT nextval('probekeeper.event_ids'),
    xid        xid8 NOT NULL DEFAULT pg_current_xact_id(),
    at         timestamptz NOT NULL,
    kind       text NOT NULL,
    data       text NOT NULL,
    site_event bigint NOT NULL,
    PRIMARY KEY (site_id, site_event, at)
) PARTITION BY HASH (site_id);
CREATE INDEX events_in_order ON probekeeper.events (xid, id);
CREATE INDEX events_by_time ON probekeeper.events (at);

-- What people asked of a site, as they asked it. Only ever added to.
CREATE SEQUENCE probekeeper.step_numbers;
CREATE TABLE probekeeper.steps (
    site_id      text NOT NULL,
    id           text NOT NULL,
    seq          bigint NOT NULL DEFAULT nextval('probekeeper.step_numbers'),
    made_at      timestamptz NOT NULL DEFAULT now(),
    who          text NOT NULL,
    role         text NOT NULL,
    method       text NOT NULL,
    path         text NOT NULL,
    content_type text NOT NULL,
    body         text NOT NULL,
    body_hash    text NOT NULL DEFAULT '', -- of the request as it came to the hub
    PRIMARY KEY (site_id, id)
) PARTITION BY HASH (site_id);
CREATE INDEX steps_by_id ON probekeeper.steps (id);

-- Those of the steps that have no outcome yet: added with the step, deleted with the outcome. A table of its own, for it
-- is asked for twice a minute by every daemon, and stays as short as the log becomes long.
CREATE TABLE probekeeper.waiting_steps (
    site_id text NOT NULL,
    seq     bigint NOT NULL,
    id      text NOT NULL,
    PRIMARY KEY (site_id, seq, id)
);

-- What came of a step at its site.
CREATE TABLE probekeeper.outcomes (
    site_id      text NOT NULL,
    id           text NOT NULL,
    at           timestamptz NOT NULL,
    status       int NOT NULL,
    content_type text NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (site_id, id)
) PARTITION BY HASH (site_id);
CREATE INDEX outcomes_by_id ON probekeeper.outcomes (id);

DO $$
DECLARE
    whole text;
BEGIN
    FOREACH whole IN ARRAY ARRAY['diagnoses', 'response_tests', 'summaries', 'tickets', 'records', 'events', 'steps',
                                 'outcomes'] LOOP
        FOR part IN 0..15 LOOP
            EXECUTE format('CREATE TABLE probekeeper.%I PARTITION OF probekeeper.%I '
                           'FOR VALUES WITH (MODULUS 16, REMAINDER %s)', whole || '_' || part, whole, part);
        END LOOP;
    END LOOP;
END $$;

-- Of the hubs alone.
CREATE TABLE probekeeper.rounds (
    id       bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    week     text NOT NULL,
    at       timestamptz NOT NULL,
    what     text NOT NULL,
    by_whom  text NOT NULL,
    revision int, -- of what was published: two hubs cannot publish the same one
    document text NOT NULL,
    UNIQUE (week, revision)
);
CREATE INDEX rounds_of_week ON probekeeper.rounds (week, id);

CREATE TABLE probekeeper.kept_answers (
    token     text NOT NULL,
    path      text NOT NULL,
    key       text NOT NULL,
    body_hash text NOT NULL,
    status    int NOT NULL,
    body      text NOT NULL,
    at        timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (token, path, key)
);
CREATE INDEX kept_answers_by_age ON probekeeper.kept_answers (at);

CREATE TABLE probekeeper.changes (
    id      bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    at      timestamptz NOT NULL,
    who     text NOT NULL,
    address text NOT NULL,
    method  text NOT NULL,
    path    text NOT NULL,
    status  int NOT NULL
);

-- The sites of whoever is logged in. As its owner, so that it may look; once a statement, not once a row.
CREATE FUNCTION probekeeper.my_sites() RETURNS text[] LANGUAGE sql STABLE SECURITY DEFINER
    SET search_path = pg_catalog AS
    $$ SELECT coalesce(array_agg(site_id), '{}') FROM probekeeper.sites WHERE login = session_user $$;
)sql";

constexpr std::array<LayoutStep, 1> steps{{{layout_1, 1}}};

// One number for all hubs of a database; chosen by nothing.
constexpr std::int64_t migration_lock = 5'209'437'101;

// A site's login reads and writes its own sites and nothing else, and deletes only what it has to: what a
// rewind takes back, and the steps it has done. The hubs' login adds steps and never changes one.
constexpr char const* rights = R"sql(
DO $$
DECLARE
    name text;
    own constant text := 'site_id = ANY ((SELECT probekeeper.my_sites())::text[])';
BEGIN
    IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'probekeeper_site')
       OR NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'probekeeper_hub') THEN
        RETURN;
    END IF;
    REVOKE ALL ON FUNCTION probekeeper.my_sites() FROM PUBLIC;
    GRANT EXECUTE ON FUNCTION probekeeper.my_sites() TO probekeeper_site;
    GRANT USAGE ON SCHEMA probekeeper TO probekeeper_site, probekeeper_hub;
    GRANT SELECT ON probekeeper.layout TO probekeeper_site, probekeeper_hub;
    GRANT USAGE ON ALL SEQUENCES IN SCHEMA probekeeper TO probekeeper_hub;
    GRANT USAGE ON SEQUENCE probekeeper.event_ids TO probekeeper_site;

    FOREACH name IN ARRAY ARRAY['feeds', 'sites', 'probes', 'diagnoses', 'response_tests', 'summaries', 'tickets',
                                'records', 'out_of_use', 'events', 'steps', 'waiting_steps', 'outcomes'] LOOP
        EXECUTE format('ALTER TABLE probekeeper.%I ENABLE ROW LEVEL SECURITY', name);
        EXECUTE format('DROP POLICY IF EXISTS hubs ON probekeeper.%I', name);
        EXECUTE format('DROP POLICY IF EXISTS own ON probekeeper.%I', name);
        EXECUTE format('CREATE POLICY hubs ON probekeeper.%I TO probekeeper_hub USING (true)', name);
        EXECUTE format('GRANT SELECT ON probekeeper.%I TO probekeeper_hub', name);
        EXECUTE format('CREATE POLICY own ON probekeeper.%I TO probekeeper_site USING (%s)', name,
                       CASE WHEN name IN ('feeds', 'sites') THEN 'login = session_user' ELSE own END);
        IF name IN ('steps', 'waiting_steps') THEN
            EXECUTE format('GRANT SELECT ON probekeeper.%I TO probekeeper_site', name);
        ELSE
            EXECUTE format('GRANT SELECT, INSERT, UPDATE ON probekeeper.%I TO probekeeper_site', name);
        END IF;
    END LOOP;
    GRANT DELETE ON probekeeper.diagnoses, probekeeper.response_tests, probekeeper.waiting_steps TO probekeeper_site;

    GRANT INSERT ON probekeeper.steps, probekeeper.waiting_steps TO probekeeper_hub;
    GRANT DELETE ON probekeeper.events TO probekeeper_hub;
    GRANT SELECT, INSERT, UPDATE, DELETE ON probekeeper.rounds, probekeeper.kept_answers, probekeeper.changes
        TO probekeeper_hub;
END $$;
)sql";

int layout_of(postgres::Connection& connection) {
    if (connection.run("SELECT to_regclass('probekeeper.layout')").null(0, 0)) {
        return 0;
    }
    auto const rows = connection.run("SELECT max(version) FROM probekeeper.layout");
    return static_cast<int>(rows.integer(0, 0));
}

}  // namespace

std::span<LayoutStep const> layouts() {
    return steps;
}

void migrate(postgres::Connection& connection) {
    auto const newest = static_cast<int>(steps.size());
    while (true) {
        postgres::Transaction transaction{connection};
        connection.run("SELECT pg_advisory_xact_lock($1)", {migration_lock});
        auto const now = layout_of(connection);
        if (now > newest) {
            throw postgres::Error{
                postgres::Fault::wrong,
                fmt::format("The hub's database has layout {}, of a newer program; this one knows {}", now,
                            newest)};
        }
        if (now == newest) {
            auto const owned = connection.run(
                "SELECT pg_has_role(relowner, 'USAGE') FROM pg_class WHERE oid = "
                "'probekeeper.layout'::regclass");
            if (owned.boolean(0, 0)) {
                connection.script(rights);
            }
            transaction.commit();
            return;
        }
        if (now == 0) {
            connection.script(
                "CREATE SCHEMA IF NOT EXISTS probekeeper; CREATE TABLE probekeeper.layout (version int "
                "PRIMARY KEY, "
                "sites_from int NOT NULL, at timestamptz NOT NULL DEFAULT now())");
        }
        auto const& step = steps[static_cast<std::size_t>(now)];
        connection.script(step.sql);
        connection.run("INSERT INTO probekeeper.layout (version, sites_from) VALUES ($1, $2)",
                       {now + 1, step.sites_from});
        transaction.commit();
    }
}

void require_layout(postgres::Connection& connection) {
    if (layout_of(connection) == 0) {
        throw postgres::Error{
            postgres::Fault::wrong,
            "The database holds no tables of a hub yet, or this login may not see them; start a hub "
            "once, which makes them"};
    }
    auto const rows =
        connection.run("SELECT version, sites_from FROM probekeeper.layout ORDER BY version DESC LIMIT 1");
    auto const ours = static_cast<std::int64_t>(steps.size());
    if (rows.integer(0, 0) < ours) {
        throw postgres::Error{
            postgres::Fault::wrong,
            fmt::format("The hub's database has layout {} and this program needs {}: update the hub first",
                        rows.integer(0, 0), ours)};
    }
    if (ours < rows.integer(0, 1)) {
        throw postgres::Error{
            postgres::Fault::wrong,
            fmt::format("The hub's database takes sites from layout {} on, and this program knows {}: "
                        "update this daemon",
                        rows.integer(0, 1), ours)};
    }
}

}  // namespace probekeeper::hub

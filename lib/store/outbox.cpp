#include "store/outbox.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>

#include "store/summary.h"
#include "store/words.h"

namespace probekeeper::store {

namespace {

constexpr std::int64_t outbox_swept_every = 256;  // events
constexpr Millis hours_at_once = 24 * hour;
// An outcome is told to a hub of a restored copy once more; nobody restores one that old.
constexpr std::int64_t outcomes_kept_ms = 400LL * 86'400'000;

Timestamp hour_of(Timestamp t) {
    return std::chrono::floor<std::chrono::hours>(t);
}

std::int64_t last_given(Database& db, std::string_view table) {
    Query query{db, "SELECT seq FROM sqlite_sequence WHERE name = ?", table};
    return query.row() ? query.integer() : 0;
}

void raise_to(Database& db, std::string_view table, std::int64_t least) {
    if (last_given(db, table) >= least) {
        return;
    }
    Query{db, "UPDATE sqlite_sequence SET seq = ? WHERE name = ?", least, table}.run();
    if (!db.row_changed()) {
        Query{db, "INSERT INTO sqlite_sequence (name, seq) VALUES (?, ?)", table, least}.run();
    }
}

// The hour in which the readings and minutes kept of a probe begin; empty where there are none.
std::optional<Timestamp> first_hour(Database& db, ProbeKey probe) {
    Query query{db,
                "SELECT min(first_ms) FROM (SELECT min(first_ms) AS first_ms FROM blocks WHERE probe_key = "
                "?1 UNION ALL "
                "SELECT min(first_ms) FROM minute_blocks WHERE probe_key = ?1 UNION ALL "
                "SELECT min(first_ms) FROM reading_groups)",
                probe};
    auto const first = query.row() ? query.maybe_time() : std::nullopt;
    return first ? std::optional{Timestamp{hour_of(*first)}} : std::nullopt;
}

}  // namespace

std::string_view to_word(FactKind kind) {
    switch (kind) {
        case FactKind::site:
            return "site";
        case FactKind::probe:
            return "probe";
        case FactKind::ticket:
            return "ticket";
        case FactKind::record:
            return "record";
        case FactKind::parked:
            return "parked";
        case FactKind::diagnosis:
            return "diagnosis";
        case FactKind::test:
            return "test";
        case FactKind::rewind:
            return "rewind";
        case FactKind::event:
            return "event";
        case FactKind::outcome:
            return "outcome";
    }
    return "";
}

void Outbox::load() {
    feeding_ = db_.integer_of("SELECT EXISTS (SELECT 1 FROM feed WHERE feeding = 1)") != 0;
    newest_hours_.clear();
    Query query{db_, "SELECT probe_key, hour_ms, over FROM newest_hours"};
    while (query.row()) {
        auto const key = static_cast<std::size_t>(query.integer());
        newest_hours_.resize(std::max(newest_hours_.size(), key + 1));
        newest_hours_[key].start = query.time();
        newest_hours_[key].over = query.integer() != 0;
    }
}

// --- what has changed

// Of the same name there is one: the later takes its place at the end of the queue.
void Outbox::add(Fact const& f) {
    Query{db_,
          "INSERT OR REPLACE INTO outbox (kind, site_id, probe_id, detail, number) VALUES (?,?,?,?,?)",
          to_word(f.kind),
          std::string_view{f.site},
          std::string_view{f.probe},
          std::string_view{f.detail},
          f.number}
        .run();
}

void Outbox::add_of_probe(FactKind kind, std::string_view probe, std::string_view detail,
                          std::int64_t number) {
    Query{db_,
          "INSERT OR REPLACE INTO outbox (kind, site_id, probe_id, detail, number)"
          " SELECT ?, site_id, probe_id, ?, ? FROM probes WHERE probe_id = ?",
          to_word(kind),
          detail,
          number,
          probe}
        .run();
}

void Outbox::note(Changes const& changes) {
    if (!feeding_) {
        return;
    }
    for (auto const& r : changes.rewinds) {
        add({FactKind::rewind, r.site, {}, {}, to_unix_ms(r.from)});
    }
    for (auto const& t : changes.tests) {
        add_of_probe(FactKind::test, t.probe, diagnosis::to_word(t.test.source), to_unix_ms(t.test.time));
    }
    for (auto const& d : changes.diagnoses) {
        if (d.changed) {
            add_of_probe(FactKind::diagnosis, d.probe, {}, to_unix_ms(d.at));
        }
        add_of_probe(FactKind::probe, d.probe);
    }
    for (auto const& r : changes.records) {
        add_of_probe(FactKind::record, r.record.probe, {}, r.number);
        add_of_probe(FactKind::probe, r.record.probe);
    }
    for (auto const& v : changes.voidings) {
        Query{db_,
              "INSERT OR REPLACE INTO outbox (kind, site_id, probe_id, detail, number)"
              " SELECT ?, p.site_id, p.probe_id, '', r.number FROM service_records r JOIN probes p USING "
              "(probe_key)"
              " WHERE r.number = ?",
              to_word(FactKind::record), v.number}
            .run();
    }
    for (auto const& parked : changes.out_of_use) {
        add({FactKind::parked, parked.site, {}, {}, parked.number});
    }
    for (auto const& ticket : changes.tickets) {
        add({FactKind::ticket, ticket.site, {}, {}, ticket.number});
        add_of_probe(FactKind::probe, ticket.probe);
    }
    for (auto const& event : changes.events) {
        add({FactKind::event, event.site, {}, {}, event.id});
        // Those that the store itself has forgotten: without this they would be all that grows while the hub
        // is away.
        if (event.id % outbox_swept_every == 0) {
            Query{db_, "DELETE FROM outbox WHERE kind = 'event' AND number < (SELECT min(id) FROM events)"}
                .run();
        }
    }
}

void Outbox::add_hour(ProbeKey probe, Timestamp start) {
    Query{db_, "INSERT OR REPLACE INTO hours_due (probe_key, hour_ms) VALUES (?,?)", probe, start}.run();
}

void Outbox::begin_hour(ProbeKey probe, Timestamp start) {
    auto const key = static_cast<std::size_t>(probe);
    newest_hours_.resize(std::max(newest_hours_.size(), key + 1));
    newest_hours_[key] = {start, false};
    Query{db_, "INSERT OR REPLACE INTO newest_hours (probe_key, hour_ms, over) VALUES (?,?,0)", probe, start}
        .run();
}

// Mostly a comparison: readings are of the hour that is not over.
void Outbox::note(std::span<ProbeReading const> readings) {
    if (!feeding_) {
        return;
    }
    std::pair<ProbeKey, Timestamp> last{};  // late ones come many of an hour together
    for (auto const& r : readings) {
        auto const key = static_cast<std::size_t>(r.probe);
        auto const newest = key < newest_hours_.size() ? newest_hours_[key] : NewestHour{};
        if (!newest.over && r.reading.time >= newest.start && r.reading.time - newest.start < hour) {
            continue;
        }
        Timestamp const start = hour_of(r.reading.time);
        if (start > newest.start) {
            if (!newest.over) {
                add_hour(r.probe, newest.start);
            }
            begin_hour(r.probe, start);
        } else if (last != std::pair{r.probe, start}) {
            last = {r.probe, start};
            add_hour(r.probe, start);
        }
    }
}

// --- what the feed does

void Outbox::apply(FeedChanges const& changes) {
    if (changes.feeding) {
        *changes.feeding ? begin() : end();
    }
    if (!feeding_) {
        return;
    }
    if (changes.go_on_behind) {
        go_on_behind(*changes.go_on_behind);
    }
    if (changes.told) {
        forget_told(*changes.told);
    }
    if (changes.trying) {
        Query{db_, "UPDATE feed SET facts_trying = ?, hours_trying = ?", changes.trying->facts,
              changes.trying->hours}
            .run();
    }
    for (auto const& site : changes.lost_sites) {
        forget_site(site);
    }
    for (auto const& site : changes.tell_again) {
        tell_again(site);
    }
    for (auto const& fact : changes.facts) {
        add(fact);
    }
    for (auto const& o : changes.outcomes) {
        Query{db_, "DELETE FROM step_outcomes WHERE at_ms < ?", to_unix_ms(o.at) - outcomes_kept_ms}.run();
        Query{db_,
              "INSERT OR IGNORE INTO step_outcomes (site_id, step_id, at_ms, status, content_type, body) "
              "VALUES "
              "(?,?,?,?,?,?)",
              std::string_view{o.site},
              std::string_view{o.id},
              o.at,
              o.status,
              std::string_view{o.content_type},
              std::string_view{o.body}}
            .run();
        add({FactKind::outcome, o.site, {}, o.id, 0});
    }
    if (changes.hours_until) {
        close_hours(*changes.hours_until);
    }
    for (std::size_t i = 0; i < changes.retell; ++i) {
        retell_one_more();
    }
}

void Outbox::begin() {
    // 128 random bits: no two stores are the same one, unless one is a copy of the other.
    Query{db_,
          "INSERT INTO feed (only_row, daemon, feeding) VALUES (1, lower(hex(randomblob(16))), 1)"
          " ON CONFLICT (only_row) DO UPDATE SET feeding = 1"}
        .run();
    feeding_ = true;
    Query query{db_, "SELECT max(facts_told, facts_trying), max(hours_told, hours_trying) FROM feed"};
    if (query.row()) {
        auto const facts = query.integer();
        raise_to(db_, "outbox", facts);
        raise_to(db_, "hours_due", query.integer());
    }
}

// Who this is stays, and which steps were taken; a hub that comes back is told everything again.
void Outbox::end() {
    if (!feeding_) {
        return;
    }
    feeding_ = false;
    Query{db_, "UPDATE feed SET feeding = 0"}.run();
    for (auto const* table : {"feed_sites", "outbox", "hours_due", "newest_hours", "retelling"}) {
        Query{db_, fmt::format("DELETE FROM {}", table)}.run();
    }
    newest_hours_.clear();
}

void Outbox::go_on_behind(FeedPosition const& position) {
    raise_to(db_, "outbox", position.facts);
    raise_to(db_, "hours_due", position.hours);
    // What waits was numbered before: it is told again with everything.
    for (auto const* table : {"feed_sites", "outbox", "hours_due", "retelling"}) {
        Query{db_, fmt::format("DELETE FROM {}", table)}.run();
    }
    Query{db_, "UPDATE feed SET facts_told = ?1, hours_told = ?2, facts_trying = ?1, hours_trying = ?2",
          position.facts, position.hours}
        .run();
}

void Outbox::forget_told(FeedPosition const& told) {
    Query{db_, "DELETE FROM outbox WHERE seq <= ?", told.facts}.run();
    Query{db_, "DELETE FROM hours_due WHERE seq <= ?", told.hours}.run();
    Query{db_, "UPDATE feed SET facts_told = ?, hours_told = ?", told.facts, told.hours}.run();
}

void Outbox::forget_site(std::string const& site) {
    std::string_view const id{site};
    Query{db_, "DELETE FROM feed_sites WHERE site_id = ?", id}.run();
    Query{db_, "DELETE FROM outbox WHERE site_id = ?", id}.run();
    for (auto const* table : {"hours_due", "retelling"}) {
        Query{
            db_,
            fmt::format("DELETE FROM {} WHERE probe_key IN (SELECT probe_key FROM probes WHERE site_id = ?)",
                        table),
            id}
            .run();
    }
}

void Outbox::tell_again(std::string const& site) {
    std::string_view const id{site};
    Query{db_, "INSERT OR IGNORE INTO feed_sites (site_id) VALUES (?)", id}.run();
    // First, for what the hub knows of its past may have been taken back since.
    add({FactKind::rewind, site, {}, {}, 0});
    add({FactKind::site, site, {}, {}, 0});
    auto const all = [&](std::string const& what) {
        Query{db_, "INSERT OR REPLACE INTO outbox (kind, site_id, probe_id, detail, number) " + what, id}
            .run();
    };
    all("SELECT 'ticket', site_id, '', '', number FROM tickets WHERE site_id = ? ORDER BY number");
    all("SELECT 'record', p.site_id, p.probe_id, '', r.number FROM service_records r JOIN probes p USING "
        "(probe_key)"
        " WHERE p.site_id = ? ORDER BY r.number");
    all("SELECT 'parked', site_id, '', '', number FROM out_of_use WHERE site_id = ? ORDER BY number");
    all("SELECT 'probe', site_id, probe_id, '', 0 FROM probes WHERE site_id = ? AND removed_at_ms IS NULL");
    all("SELECT 'outcome', site_id, '', step_id, 0 FROM step_outcomes WHERE site_id = ? ORDER BY at_ms");
    Query{db_,
          "INSERT OR REPLACE INTO retelling (probe_key, evidence, hours_before_ms)"
          " SELECT p.probe_key, 1, coalesce(n.hour_ms + 3600000 * n.over, 253402300800000)"
          " FROM probes p LEFT JOIN newest_hours n"
          " USING (probe_key) WHERE site_id = ?",
          id}
        .run();
}

// Evidence of all probes first, then the newest days of any.
void Outbox::retell_one_more() {
    Query next{db_,
               "SELECT probe_key, evidence, hours_before_ms FROM retelling ORDER BY evidence DESC, "
               "hours_before_ms DESC LIMIT 1"};
    if (!next.row()) {
        return;
    }
    auto const probe = static_cast<ProbeKey>(next.integer());
    bool const evidence = next.integer() != 0;
    auto const before = next.time();
    if (!evidence) {
        retell_hours(probe, before);
        return;
    }
    Query{
        db_,
        "INSERT OR REPLACE INTO outbox (kind, site_id, probe_id, detail, number)"
        " SELECT 'test', site_id, probe_id, source, time_ms FROM response_tests JOIN probes USING (probe_key)"
        " WHERE probe_key = ? ORDER BY time_ms",
        probe}
        .run();
    Query{db_,
          "INSERT OR REPLACE INTO outbox (kind, site_id, probe_id, detail, number)"
          " SELECT 'diagnosis', site_id, probe_id, '', at_ms FROM diagnoses JOIN probes USING (probe_key)"
          " WHERE probe_key = ? ORDER BY at_ms",
          probe}
        .run();
    Query{db_, "UPDATE retelling SET evidence = 0 WHERE probe_key = ?", probe}.run();
}

void Outbox::retell_hours(ProbeKey probe, Timestamp before) {
    auto const first = first_hour(db_, probe);
    // Of a probe without an open hour the end is not known: it is that of its newest readings, and near
    // enough.
    Query newest{
        db_,
        "SELECT max(last_ms) FROM (SELECT max(last_ms) AS last_ms FROM blocks WHERE probe_key = ?1 UNION ALL "
        "SELECT max(last_ms) FROM minute_blocks WHERE probe_key = ?1 UNION ALL "
        "SELECT max(last_ms) FROM reading_groups)",
        probe};
    auto const last = newest.row() ? newest.maybe_time() : std::nullopt;
    if (!first || !last) {
        Query{db_, "DELETE FROM retelling WHERE probe_key = ?", probe}.run();
        return;
    }
    Timestamp const end = std::min(before, Timestamp{hour_of(*last)} + hour);
    auto const begin = std::max(*first, end - hours_at_once);
    for (auto start = end - hour; start >= begin; start -= hour) {
        Query{db_, "INSERT OR IGNORE INTO hours_due (probe_key, hour_ms) VALUES (?,?)", probe, start}.run();
    }
    if (begin <= *first) {
        Query{db_, "DELETE FROM retelling WHERE probe_key = ?", probe}.run();
    } else {
        Query{db_, "UPDATE retelling SET hours_before_ms = ? WHERE probe_key = ?", begin, probe}.run();
    }
}

void Outbox::close_hours(Timestamp until) {
    Query{db_,
          "INSERT OR REPLACE INTO hours_due (probe_key, hour_ms) SELECT probe_key, hour_ms FROM newest_hours "
          "WHERE over = 0 AND hour_ms <= ?",
          until - hour}
        .run();
    Query{db_, "UPDATE newest_hours SET over = 1 WHERE over = 0 AND hour_ms <= ?", until - hour}.run();
    for (auto& newest : newest_hours_) {
        newest.over = newest.over || newest.start <= until - hour;
    }
}

// --- reading

std::optional<FeedState> read_feed(Database& db) {
    Query query{
        db, "SELECT daemon, facts_told, hours_told, facts_trying, hours_trying FROM feed WHERE feeding = 1"};
    if (!query.row()) {
        return std::nullopt;
    }
    FeedState state;
    state.daemon = query.text();
    state.told.facts = query.integer();
    state.told.hours = query.integer();
    state.trying.facts = query.integer();
    state.trying.hours = query.integer();
    state.given = {last_given(db, "outbox"), last_given(db, "hours_due")};
    Query sites{db, "SELECT site_id FROM feed_sites ORDER BY site_id"};
    while (sites.row()) {
        state.sites.push_back(sites.text());
    }
    return state;
}

FeedBacklog read_backlog(Database& db) {
    FeedBacklog backlog;
    Query facts{db, "SELECT count(*), min(noted_s) FROM outbox"};
    if (facts.row()) {
        backlog.facts = facts.integer();
        auto const oldest_s = facts.integer();
        backlog.oldest = backlog.facts > 0 ? std::optional{from_unix_ms(oldest_s * 1000)} : std::nullopt;
    }
    backlog.hours = db.integer_of("SELECT count(*) FROM hours_due");
    return backlog;
}

std::vector<WaitingFact> read_waiting_facts(Database& db, std::int64_t seq, std::size_t most) {
    Query query{
        db,
        "SELECT seq, kind, site_id, probe_id, detail, number FROM outbox WHERE seq > ? ORDER BY seq LIMIT ?",
        seq, most};
    std::vector<WaitingFact> found;
    while (query.row()) {
        WaitingFact w;
        w.seq = query.integer();
        w.fact.kind = value_of(query.text(), FactKind::outcome);
        w.fact.site = query.text();
        w.fact.probe = query.text();
        w.fact.detail = query.text();
        w.fact.number = query.integer();
        found.push_back(std::move(w));
    }
    return found;
}

std::vector<WaitingHour> read_waiting_hours(Database& db, std::int64_t seq, std::size_t most) {
    Query query{
        db,
        "SELECT seq, site_id, probe_id, hour_ms FROM hours_due JOIN probes USING (probe_key) WHERE seq > ?"
        " ORDER BY seq LIMIT ?",
        seq, most};
    std::vector<WaitingHour> found;
    while (query.row()) {
        WaitingHour w;
        w.seq = query.integer();
        w.site = query.text();
        w.probe = query.text();
        w.start = query.time();
        found.push_back(std::move(w));
    }
    return found;
}

bool has_hours_over(Database& db, Timestamp until) {
    Query query{db, "SELECT 1 FROM newest_hours WHERE over = 0 AND hour_ms <= ? LIMIT 1", until - hour};
    return query.row();
}

std::optional<StepOutcome> read_step_outcome(Database& db, std::string const& site, std::string const& id) {
    Query query{
        db, "SELECT at_ms, status, content_type, body FROM step_outcomes WHERE site_id = ? AND step_id = ?",
        std::string_view{site}, std::string_view{id}};
    if (!query.row()) {
        return std::nullopt;
    }
    StepOutcome o;
    o.site = site;
    o.id = id;
    o.at = query.time();
    o.status = static_cast<int>(query.integer());
    o.content_type = query.text();
    o.body = query.text();
    return o;
}

}  // namespace probekeeper::store

#include "store/store.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <array>

#include "store/evidence.h"
#include "store/lock.h"
#include "store/minutes.h"
#include "store/notices.h"
#include "store/old_rows.h"
#include "store/outbox.h"
#include "store/people.h"
#include "store/probes.h"
#include "store/readings.h"
#include "store/schema.h"
#include "store/set_aside.h"
#include "store/sqlite.h"
#include "store/told.h"

namespace probekeeper::store {

std::int64_t memory_used() {
    return sqlite3_memory_used();
}

struct Store::Open {
    Open(std::filesystem::path const& path, Options const& options);

    // Order matters: the lock outlives the connection, the connection outlives what uses it.
    StoreLock lock;
    bool ended_uncleanly;
    Database db;
    std::optional<SetAside> aside;
    ReadingsWriter readings{db};
    MinuteKeeper minutes{db};
    Outbox outbox{db};
    bool stale = false;  // a rollback took from the file what memory believes written
    std::vector<KnownProbe> probes;
    std::optional<Timestamp> expired_before;
    std::int64_t last_record_number = 0;
    std::size_t expiring = 0;  // the place in `probes` that expire_some() has reached

    void set_up(Options const& options);
    void check_after_unclean_end();
    void read_state();
    void freshen();
    [[nodiscard]] std::optional<Timestamp> newest() const { return readings.newest(); }
    Appended append(std::span<ProbeReading const> given);
    void keep(Changes const& changes);
    void note_expired_before(Timestamp before);
    bool expire_some(Retention const& retention, std::size_t most);
};

namespace {

bool log_left_behind(std::filesystem::path const& path) {
    std::error_code missing;
    auto const size = std::filesystem::file_size(path.string() + "-wal", missing);
    return !missing && size > 0;  // the last connection to close removes it
}

std::optional<Timestamp> read_expired_before(Database& db) {
    Query query{db, "SELECT before_ms FROM readings_expired"};
    return query.row() ? std::optional{query.time()} : std::nullopt;
}

}  // namespace

Store::Open::Open(std::filesystem::path const& path, Options const& options)
    : lock{path}, ended_uncleanly{log_left_behind(path)}, db{path, Access::create, options.busy_timeout} {
    set_up(options);
    migrate(db, layouts());
    if (ended_uncleanly) {
        check_after_unclean_end();
    }
    move_old_rows(db, known_probes(db));
    read_state();
    // Blocks are quick to look into, and at a start every probe's newest readings are.
    Transaction transaction{db};
    readings.compact();
    transaction.commit();
}

void Store::Open::set_up(Options const& options) {
    if (db.integer_of("PRAGMA page_count") ==
        0) {  // of a new file only: in others it would be a write at each start
        db.run("PRAGMA auto_vacuum = INCREMENTAL");
    }
    db.run("PRAGMA journal_mode = WAL");
    db.run(fmt::format("PRAGMA cache_size = -{}", options.cache_kib));
    db.run(fmt::format("PRAGMA wal_autocheckpoint = {}", options.log_kib / 4));  // in pages of 4 KiB
    db.run(fmt::format("PRAGMA journal_size_limit = {}", 2LL * 1024 * options.log_kib));
    db.run("PRAGMA secure_delete = OFF");  // Debian's default overwrites what expires with zeros: twice the
                                           // writing
    // together(Outlives::disk) changes it for one commit. What NORMAL can lose to a power cut: see Outlives.
    db.run("PRAGMA synchronous = NORMAL");
}

void Store::Open::check_after_unclean_end() {
    constexpr std::array tables{"probes",           "tickets",      "ticket_reasons",  "ticket_history",
                                "ticket_work",      "ticket_parts", "ticket_cautions", "ticket_proof",
                                "service_records",  "out_of_use",   "checkpoints",     "answers",
                                "downtimes",        "notices",      "site_numbers",    "events",
                                "newest_diagnoses", "changes",      "rounds",          "feed",
                                "feed_sites",       "outbox",       "hours_due",       "newest_hours",
                                "retelling",        "step_outcomes"};
    for (auto const* table : tables) {
        Query query{db, fmt::format("PRAGMA quick_check('{}')", table)};
        auto const finding = query.row() ? query.text() : std::string{"no answer"};
        if (finding != "ok") {
            refuse(Fault::corrupt,
                   fmt::format("store '{}' was not closed cleanly and its table {} is damaged: {}: "
                               "put a backup in its place",
                               db.path().string(), table, finding));
        }
    }
}

void Store::Open::read_state() {
    probes = known_probes(db);
    std::vector<WaterOfProbe> waters(1);
    for (auto const& probe : probes) {
        auto const place = static_cast<std::size_t>(probe.key);
        waters.resize(std::max(waters.size(), place + 1));
        waters[place] = probe.water;
    }
    readings.load(std::move(waters));
    outbox.load();
    expired_before = read_expired_before(db);
    last_record_number = std::max(last_record_number, highest_record_number(db));
    stale = false;
}

// Memory follows the file again.
void Store::Open::freshen() {
    if (stale) {
        read_state();
    }
}

Appended Store::Open::append(std::span<ProbeReading const> given) {
    freshen();
    outbox.note(given);
    return readings.add(given, expired_before);
}

void Store::Open::keep(Changes const& changes) {
    freshen();
    for (auto const& r : changes.rewinds) {
        rewind(db, r);
    }
    for (auto const& test : changes.tests) {
        save_test(db, test);
    }
    for (auto const& diagnosis : changes.diagnoses) {
        save_diagnosis(db, diagnosis);
    }
    for (auto const& change : changes.service_changes) {
        save_service_change(db, change);
    }
    for (auto const& record : changes.records) {
        save_record(db, record);
        last_record_number = std::max(last_record_number, record.number);
    }
    for (auto const& voiding : changes.voidings) {
        void_record(db, voiding);
    }
    for (auto const& told : changes.out_of_use) {
        save_out_of_use(db, told);
    }
    for (auto const& ticket : changes.tickets) {
        save_ticket(db, ticket);
    }
    for (auto const& downtime : changes.downtimes) {
        save_downtime(db, downtime);
    }
    for (auto const& checkpoint : changes.checkpoints) {
        save_checkpoint(db, checkpoint);
    }
    for (auto const& answer : changes.answers) {
        save_answer(db, answer);
    }
    for (auto const& notice : changes.notices) {
        save_notice(db, notice);
    }
    for (auto const& outcome : changes.notice_outcomes) {
        save_outcome(db, outcome);
    }
    for (auto const& event : changes.events) {
        save_event(db, event);
    }
    for (auto const& change : changes.people) {
        save_change(db, change);
    }
    for (auto const& round : changes.rounds) {
        save_round(db, round);
    }
    outbox.note(changes);
    if (changes.feed) {
        outbox.apply(*changes.feed);
    }
}

// Noted once something is really deleted, and not before: a young store still takes an old export.
void Store::Open::note_expired_before(Timestamp before) {
    if (!expired_before || *expired_before < before) {
        Query{db, "INSERT OR REPLACE INTO readings_expired (only, before_ms) VALUES (1, ?)", before}.run();
        expired_before = before;
    }
}

bool Store::Open::expire_some(Retention const& retention, std::size_t most) {
    freshen();
    if (!newest()) {
        return false;
    }
    auto const raw_before = *newest() - retention.raw;
    auto const summary_before = *newest() - retention.summary;
    if (expiring == 0) {
        readings.compact_before(raw_before);
    }
    for (; expiring < probes.size(); ++expiring) {
        auto const key = probes[expiring].key;
        auto const expired = readings.expire(key, raw_before, most);
        if (!expired.readings.empty()) {
            note_expired_before(raw_before);
            minutes.add_expired(key, expired.readings);
        }
        bool const minutes_left = minutes.expire(key, summary_before, most);
        expire_evidence(db, key, summary_before);
        if (expired.left || minutes_left) {
            return true;
        }
    }
    expiring = 0;
    return false;
}

Store::Store(std::unique_ptr<Open> open) : open_{std::move(open)} {}
Store::~Store() = default;
Store::Store(Store&&) noexcept = default;
Store& Store::operator=(Store&&) noexcept = default;

namespace {

// A file that nobody has opened as a store before may be anything.
bool was_a_store(std::filesystem::path const& path) {
    std::error_code unknown;
    return std::filesystem::exists(path.string() + ".lock", unknown);
}

SetAside set_aside_locked(std::filesystem::path const& path, std::string why) {
    StoreLock const lock{path};
    return set_aside(path, std::move(why));
}

}  // namespace

Result<Store> Store::open(std::filesystem::path const& path, Options const& options) {
    return guarded([&] {
        bool const may = options.set_aside_damaged && was_a_store(path);
        std::optional<SetAside> aside;
        std::unique_ptr<Open> open;
        if (options.damaged.empty()) {
            try {
                open = std::make_unique<Open>(path, options);
            } catch (Failed const& error) {
                if (!may || error.fault() != Fault::corrupt) {
                    throw;
                }
                aside = set_aside_locked(path, error.what());
            }
        } else {
            aside = set_aside_locked(path, options.damaged);
        }
        if (!open) {
            open = std::make_unique<Open>(path, options);
        }
        if (aside) {
            carry_over(open->db, *aside, Bulk::where_small);
            open->read_state();
            open->aside = std::move(aside);
        }
        return Store{std::move(open)};
    });
}

Result<Store> Store::open_beside(std::filesystem::path const& file, std::filesystem::path const& of,
                                 std::int64_t bytes_most) {
    return guarded([&] {
        std::error_code cannot;
        bool const known = std::filesystem::exists(file, cannot);
        auto open = std::make_unique<Open>(file, Options{});
        if (!known && std::filesystem::exists(of, cannot)) {
            SetAside from{of, {}, {}, {}};
            carry_over(open->db, from, Bulk::never);
            open->read_state();
        }
        auto& db = open->db;
        auto const pages =
            db.integer_of("PRAGMA page_count") + bytes_most / db.integer_of("PRAGMA page_size");
        db.run(fmt::format("PRAGMA max_page_count = {}", pages));
        return Store{std::move(open)};
    });
}

std::filesystem::path const& Store::path() const {
    return open_->db.path();
}
bool Store::ended_uncleanly() const {
    return open_->ended_uncleanly;
}
std::optional<SetAside> const& Store::set_aside() const {
    return open_->aside;
}
bool Store::has_readings() const {
    return open_->newest().has_value();
}
std::optional<Timestamp> Store::newest() const {
    return open_->newest();
}

Result<std::vector<ProbeKey>> Store::enrol(std::vector<FleetProbe> const& fleet, Timestamp now) {
    return guarded([&] {
        Transaction transaction{open_->db};
        auto keys = enrol_probes(open_->db, fleet, now);
        transaction.commit();
        open_->read_state();
        return keys;
    });
}

Result<std::vector<std::int64_t>> Store::number_sites(std::vector<std::string> const& sites) {
    return guarded([&] {
        Transaction transaction{open_->db};
        auto numbers = store::number_sites(open_->db, sites);
        transaction.commit();
        return numbers;
    });
}

Result<Appended> Store::append(std::span<ProbeReading const> readings) {
    auto result = guarded([&] {
        Transaction transaction{open_->db};
        auto const done = open_->append(readings);
        transaction.commit();
        return done;
    });
    open_->stale = open_->stale || result.has_error();
    return result;
}

Result<void> Store::keep(Changes const& changes) {
    auto result = guarded([&] {
        Transaction transaction{open_->db};
        open_->keep(changes);
        transaction.commit();
    });
    open_->stale = open_->stale || (result.has_error() && changes.feed);
    return result;
}

Result<void> Store::together(Outlives outlives, std::function<Result<void>()> const& work) {
    auto result = guarded([&] {
        auto& db = open_->db;
        db.run(outlives == Outlives::disk ? "PRAGMA synchronous = FULL" : "PRAGMA synchronous = NORMAL");
        auto const changes_before = sqlite3_total_changes64(db.handle());
        Transaction transaction{db};
        if (auto const done = work(); done.has_error()) {
            refuse(done.error().fault, done.error().message);
        }
        if (outlives == Outlives::disk && sqlite3_total_changes64(db.handle()) == changes_before) {
            // A commit that writes nothing does not sync the log either, and the commits before would stay in
            // the air: so write something.
            db.run(fmt::format("PRAGMA user_version = {}", layouts().size()));
        }
        transaction.commit();
    });
    open_->stale = open_->stale || result.has_error();
    return result;
}

Result<void> Store::compact() {
    auto result = guarded([&] {
        Transaction transaction{open_->db};
        open_->freshen();
        open_->readings.compact();
        transaction.commit();
    });
    open_->stale = open_->stale || result.has_error();
    return result;
}

std::int64_t Store::reserve_record_number() {
    return ++open_->last_record_number;
}

std::int64_t Store::highest_ticket_number(std::string const& site) const {
    return store::highest_ticket_number(open_->db, site);
}

Result<bool> Store::expire_some(Retention const& retention, std::size_t most) {
    auto result = guarded([&] {
        Transaction transaction{open_->db};
        bool const left = open_->expire_some(retention, most);
        transaction.commit();
        return left;
    });
    open_->stale = open_->stale || result.has_error();
    return result;
}

}  // namespace probekeeper::store

#include "store/sqlite.h"

#include <spdlog/fmt/fmt.h>

#include "base/reading.h"

namespace probekeeper::store {

namespace {

Fault fault_of(int code) {
    switch (code & 0xff) {
        case SQLITE_FULL:
            return Fault::full;
        case SQLITE_BUSY:
        case SQLITE_LOCKED:
            return Fault::busy;
        case SQLITE_CORRUPT:
        case SQLITE_NOTADB:
            return Fault::corrupt;
        case SQLITE_CONSTRAINT:
            return Fault::conflict;
        default:
            return Fault::io;
    }
}

std::string_view advice(Fault fault) {
    switch (fault) {
        case Fault::full:
            return ": free some room on its disk";
        case Fault::busy:
            return ": another program holds it locked";
        case Fault::corrupt:
            return ": put a backup in its place";
        case Fault::io:
            return ": check the disk and the permissions of the file and its folder";
        case Fault::conflict:
        case Fault::in_use:
        case Fault::newer:
        case Fault::older:
        case Fault::foreign:
        case Fault::bad_position:
        case Fault::stopped:
            return "";
    }
    return "";
}

sqlite3* opened(std::filesystem::path const& path, Access access) {
    // Also readers open for writing (and are then forbidden to write): in WAL mode they may be the first to
    // come after a crash and must be able to rebuild the index of the log. No mutex: one thread at a time
    // uses it.
    int const flags =
        SQLITE_OPEN_READWRITE | SQLITE_OPEN_NOMUTEX | (access == Access::create ? SQLITE_OPEN_CREATE : 0);
    sqlite3* raw = nullptr;
    int const code = sqlite3_open_v2(path.c_str(), &raw, flags, nullptr);
    if (code != SQLITE_OK) {
        auto const why =
            raw != nullptr ? std::string{sqlite3_errmsg(raw)} : std::string{sqlite3_errstr(code)};
        sqlite3_close(raw);
        refuse(fault_of(code),
               fmt::format("cannot open store '{}': {}{}", path.string(), why, advice(fault_of(code))));
    }
    return raw;
}

}  // namespace

void refuse(Fault fault, std::string const& message) {
    throw Failed{{fault, message}};
}

Database::Database(std::filesystem::path const& path, Access access, Millis busy_timeout)
    : path_{path}, handle_{opened(path, access)} {
    sqlite3_extended_result_codes(handle_.get(), 1);
    sqlite3_busy_timeout(handle_.get(), static_cast<int>(busy_timeout.count()));
    run("PRAGMA foreign_keys = ON");
    if (access == Access::read) {
        run("PRAGMA query_only = ON");
    }
}

void Database::fail(std::string_view doing) const {
    auto const fault = fault_of(sqlite3_errcode(handle_.get()));
    refuse(fault, fmt::format("store '{}': {} failed: {} (SQLite code {}){}", path_.string(), doing,
                              sqlite3_errmsg(handle_.get()), sqlite3_extended_errcode(handle_.get()),
                              advice(fault)));
}

void Database::run(std::string const& sql) {
    if (sqlite3_exec(handle_.get(), sql.c_str(), nullptr, nullptr, nullptr) != SQLITE_OK) {
        fail(fmt::format("\"{}\"", sql.substr(0, 60)));
    }
}

sqlite3_stmt* Database::prepared(std::string_view sql) {
    if (auto const known = statements_.find(sql); known != statements_.end()) {
        return known->second.get();
    }
    sqlite3_stmt* raw = nullptr;
    if (sqlite3_prepare_v3(handle_.get(), sql.data(), static_cast<int>(sql.size()), SQLITE_PREPARE_PERSISTENT,
                           &raw, nullptr) != SQLITE_OK) {
        fail(fmt::format("preparing \"{}\"", sql.substr(0, 60)));
    }
    return statements_.emplace(std::string{sql}, StatementHandle{raw}).first->second.get();
}

std::int64_t Database::integer_of(std::string_view sql) {
    Query query{*this, sql};
    return query.row() ? query.integer() : 0;
}

bool Query::row() {
    column_ = 0;
    int const code = sqlite3_step(stmt_);
    if (code == SQLITE_ROW) {
        return true;
    }
    if (code != SQLITE_DONE) {
        db_.fail(fmt::format("\"{}\"", std::string_view{sqlite3_sql(stmt_)}.substr(0, 60)));
    }
    return false;
}

void Query::check(int code) {
    if (code != SQLITE_OK) {
        db_.fail("binding a value");
    }
}

// The caller's text and blobs live until the query ends, so SQLITE_STATIC spares a copy.
void Query::bind_integer(std::int64_t value) {
    check(sqlite3_bind_int64(stmt_, ++parameter_, value));
}
void Query::bind(double value) {
    check(sqlite3_bind_double(stmt_, ++parameter_, value));
}
void Query::bind(std::string_view value) {
    // An empty view may hold a null pointer, which would bind NULL.
    char const* const data = value.empty() ? "" : value.data();
    check(sqlite3_bind_text(stmt_, ++parameter_, data, static_cast<int>(value.size()), SQLITE_STATIC));
}
void Query::bind(std::span<std::byte const> blob) {
    if (blob.empty()) {
        check(sqlite3_bind_zeroblob(stmt_, ++parameter_, 0));
    } else {
        check(sqlite3_bind_blob64(stmt_, ++parameter_, blob.data(), blob.size(), SQLITE_STATIC));
    }
}
void Query::bind_null() {
    check(sqlite3_bind_null(stmt_, ++parameter_));
}

double Query::real() {
    bool const null = next_is_null();
    double const value = sqlite3_column_double(stmt_, column_++);
    return null ? not_read : value;
}

std::string Query::text() {
    auto const* const data = reinterpret_cast<char const*>(sqlite3_column_text(stmt_, column_));
    auto const size = static_cast<std::size_t>(sqlite3_column_bytes(stmt_, column_++));
    return data == nullptr ? std::string{} : std::string{data, size};
}

std::span<std::byte const> Query::bytes() {
    auto const* const data = static_cast<std::byte const*>(sqlite3_column_blob(stmt_, column_));
    auto const size = static_cast<std::size_t>(sqlite3_column_bytes(stmt_, column_++));
    return data == nullptr ? std::span<std::byte const>{} : std::span{data, size};
}

std::vector<std::byte> Query::blob() {
    auto const view = bytes();
    return {view.begin(), view.end()};
}

std::optional<double> Query::maybe_real() {
    bool const null = next_is_null();
    double const value = real();
    return null ? std::nullopt : std::optional{value};
}

std::optional<Timestamp> Query::maybe_time() {
    bool const null = next_is_null();
    auto const value = time();
    return null ? std::nullopt : std::optional{value};
}

std::optional<std::string> Query::maybe_text() {
    bool const null = next_is_null();
    auto value = text();
    return null ? std::nullopt : std::optional{std::move(value)};
}

Transaction::Transaction(Database& db) : db_{db}, nested_{db.in_transaction()} {
    db_.run(nested_ ? "SAVEPOINT part" : "BEGIN IMMEDIATE");
}

Transaction::~Transaction() {
    // After a full disk or a failed read SQLite may have rolled back all by itself.
    if (done_ || !db_.in_transaction()) {
        return;
    }
    char const* const back = nested_ ? "ROLLBACK TO part; RELEASE part" : "ROLLBACK";
    sqlite3_exec(db_.handle(), back, nullptr, nullptr, nullptr);
}

void Transaction::commit() {
    db_.run(nested_ ? "RELEASE part" : "COMMIT");
    done_ = true;
}

Snapshot::Snapshot(Database& db) : db_{db}, nested_{db.in_transaction()} {
    if (!nested_) {
        Query{db_, "BEGIN"}.run();
    }
}
Snapshot::~Snapshot() {
    if (!nested_) {
        sqlite3_exec(db_.handle(), "ROLLBACK", nullptr, nullptr, nullptr);
    }
}

}  // namespace probekeeper::store

// SQLite behind handles that cannot be left open. Private to this room: no other includes sqlite3.h, and no
// public header of this room includes this one. Errors are thrown as Failed and become Failures in
// guarded(), at the room's edge.
#pragma once

#include <sqlite3.h>

#include <concepts>
#include <cstddef>
#include <filesystem>
#include <map>
#include <memory>
#include <optional>
#include <span>
#include <stdexcept>
#include <string>
#include <string_view>
#include <vector>

#include "base/time.h"
#include "store/result.h"
#include "store/values.h"

namespace probekeeper::store {

// A statement of ours that contradicts the stored data; not SQLite's finding but reported the same way.
[[noreturn]] void refuse(Fault fault, std::string const& message);

template <auto Free>
struct Freed {
    void operator()(auto* p) const noexcept { Free(p); }
};
using DatabaseHandle = std::unique_ptr<sqlite3, Freed<&sqlite3_close>>;
using StatementHandle = std::unique_ptr<sqlite3_stmt, Freed<&sqlite3_finalize>>;

enum class Access { create, read };

// One connection; used by one thread at a time. Statements are prepared once per text and kept.
class Database {
public:
    // Access::read opens what exists and refuses every write.
    Database(std::filesystem::path const& path, Access access, Millis busy_timeout);

    void run(std::string const& sql);  // one or more statements without parameters
    [[nodiscard]] sqlite3_stmt* prepared(std::string_view sql);
    [[nodiscard]] std::int64_t integer_of(std::string_view sql);  // the single value of a parameterless query
    [[nodiscard]] bool in_transaction() const { return sqlite3_get_autocommit(handle_.get()) == 0; }
    [[nodiscard]] bool row_changed() const { return sqlite3_changes(handle_.get()) > 0; }
    [[nodiscard]] sqlite3* handle() const { return handle_.get(); }
    [[nodiscard]] std::filesystem::path const& path() const { return path_; }
    [[noreturn]] void fail(std::string_view doing) const;

private:
    std::filesystem::path path_;
    DatabaseHandle handle_;  // before the statements: they must be finalised first
    std::map<std::string, StatementHandle, std::less<>> statements_;
};

// Borrows a prepared statement for one scope: binds its parameters in order, steps, and resets it at the end
// (an unreset reader would hold back checkpoints).
class Query {
public:
    template <typename... Values>
    Query(Database& db, std::string_view sql, Values const&... values)
        : Query{db, db.prepared(sql), values...} {}
    template <typename... Values>
    Query(Database& db, sqlite3_stmt* statement, Values const&... values) : db_{db}, stmt_{statement} {
        (bind(values), ...);
    }
    ~Query() {
        sqlite3_reset(stmt_);
        sqlite3_clear_bindings(stmt_);
    }
    Query(Query&&) = delete;

    [[nodiscard]] bool row();  // steps to the next row; false at the end
    void run() {
        while (row()) {
        }
    }

    template <std::integral T>
    void bind(T value) {
        bind_integer(static_cast<std::int64_t>(value));
    }
    void bind(ProbeKey value) { bind_integer(static_cast<std::int64_t>(value)); }
    void bind(double value);  // NaN becomes NULL: that is how "not read" is stored
    void bind(std::string_view value);
    void bind(std::span<std::byte const> blob);
    void bind(Timestamp value) { bind(to_unix_ms(value)); }
    template <typename T>
    void bind(std::optional<T> const& value) {
        if (value) {
            bind(*value);
        } else {
            bind_null();
        }
    }

    // The columns of the current row, each call takes the next one.
    [[nodiscard]] std::int64_t integer() { return sqlite3_column_int64(stmt_, column_++); }
    [[nodiscard]] double real();  // NULL is not_read
    [[nodiscard]] std::string text();
    [[nodiscard]] std::vector<std::byte> blob();
    [[nodiscard]] std::span<std::byte const> bytes();  // as blob(), valid until the next row()
    [[nodiscard]] Timestamp time() { return from_unix_ms(integer()); }
    [[nodiscard]] std::optional<double> maybe_real();
    [[nodiscard]] std::optional<Timestamp> maybe_time();
    [[nodiscard]] std::optional<std::string> maybe_text();

private:
    void bind_integer(std::int64_t value);
    void bind_null();
    void check(int code);
    [[nodiscard]] bool next_is_null() const { return sqlite3_column_type(stmt_, column_) == SQLITE_NULL; }

    Database& db_;
    sqlite3_stmt* stmt_;
    int parameter_ = 0;
    int column_ = 0;
};

// A transaction for writing (BEGIN IMMEDIATE), or a savepoint where one is already open. Rolls back unless
// committed.
class Transaction {
public:
    explicit Transaction(Database& db);
    ~Transaction();
    Transaction(Transaction&&) = delete;
    void commit();

private:
    Database& db_;
    bool nested_;
    bool done_ = false;
};

// Several queries that must see one state of the file. Holds no lock against the writer. Within a transaction
// it is that one's part.
class Snapshot {
public:
    explicit Snapshot(Database& db);
    ~Snapshot();
    Snapshot(Snapshot&&) = delete;

private:
    Database& db_;
    bool nested_;
};

// The edge of the room: what `work` returns, or the failure it threw.
template <typename Work>
auto guarded(Work&& work) -> Result<decltype(work())> {
    try {
        if constexpr (std::is_void_v<decltype(work())>) {
            work();
            return {};
        } else {
            return work();
        }
    } catch (Failed const& error) {
        return Failure{error.fault(), error.what()};
    }
}

}  // namespace probekeeper::store

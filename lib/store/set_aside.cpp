#include "store/set_aside.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <span>
#include <string_view>

#include "base/time.h"
#include "store/block.h"
#include "store/group.h"
#include "store/minutes.h"
#include "store/sqlite.h"

namespace probekeeper::store {

namespace fs = std::filesystem;

namespace {

constexpr std::string_view damaged = ".damaged-";
constexpr std::array<std::string_view, 3> beside{"", "-wal", "-shm"};

// "20261126T054000Z"
std::string stamp_now() {
    auto text = to_rfc3339(std::chrono::floor<Millis>(std::chrono::system_clock::now()));
    text.erase(std::remove_if(text.begin(), text.end(), [](char c) { return c == '-' || c == ':'; }),
               text.end());
    return text.substr(0, 15) + "Z";
}

fs::path free_name(fs::path const& store) {
    auto const base = store.string() + std::string{damaged} + stamp_now();
    auto name = base;
    for (int n = 2; fs::exists(name); ++n) {
        name = fmt::format("{}-{}", base, n);
    }
    return name;
}

using Bytes = std::span<std::byte const>;

void require_block(Bytes data) {
    std::vector<Reading> readings;
    read_block(data, Timestamp::min(), Timestamp::max(), readings);
}
void require_group(Bytes data) {
    for_each_in_group(data, [](ProbeKey, std::span<Reading const>) {});
}
void require_minutes(Bytes data) {
    static_cast<void>(read_minutes(data));
}

struct Table {
    std::string_view name, refers_to;  // refers_to: empty, or a table that must have gone over
    // Of readings: throws where what the column `data` holds cannot be read.
    void (*require)(Bytes) = nullptr;
};
// In the order of what they refer to. Not readings_expired: what is missing may be sent again. Of what waits
// for a hub who this store is and which steps it took: everything else is told again.
constexpr std::array tables{Table{"probes", ""},
                            Table{"site_numbers", ""},
                            Table{"tickets", "probes"},
                            Table{"ticket_reasons", "tickets"},
                            Table{"ticket_history", "tickets"},
                            Table{"ticket_work", "tickets"},
                            Table{"ticket_parts", "tickets"},
                            Table{"ticket_cautions", "tickets"},
                            Table{"ticket_proof", "tickets"},
                            Table{"service_records", "probes"},
                            Table{"service_states", "probes"},
                            Table{"out_of_use", ""},
                            Table{"rounds", ""},
                            Table{"answers", ""},
                            Table{"notices", ""},
                            Table{"changes", ""},
                            Table{"events", ""},
                            Table{"downtimes", ""},
                            Table{"feed", ""},
                            Table{"step_outcomes", ""},
                            Table{"checkpoints", ""},
                            Table{"response_tests", "probes"},
                            Table{"newest_diagnoses", "probes"},
                            Table{"diagnoses", "probes"},
                            Table{"minute_blocks", "probes", require_minutes},
                            Table{"blocks", "probes", require_block},
                            Table{"reading_groups", "probes", require_group}};

// "file:/a%20b?immutable=1"
std::string as_it_lies(fs::path const& path) {
    std::string uri = "file:";
    for (char const c : fs::absolute(path).string()) {
        bool const plain = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') ||
                           c == '/' || c == '-' || c == '_' || c == '.';
        uri += plain ? std::string{c} : fmt::format("%{:02X}", static_cast<unsigned char>(c));
    }
    return uri + "?immutable=1";
}

struct ReadOnly {
    explicit ReadOnly(fs::path const& path) {
        if (open(path.string(), 0) == SQLITE_CANTOPEN) {
            // Its log's index cannot be made in a folder that is read-only. Then the file itself, without the
            // log.
            open(as_it_lies(path), SQLITE_OPEN_URI);
        }
        if (!handle) {
            refuse(Fault::corrupt, fmt::format("'{}' cannot be opened", path.string()));
        }
        // The log stays as it is, too.
        sqlite3_db_config(handle.get(), SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1, nullptr);
    }
    // A code of SQLite's; `handle` only where it can be read from.
    int open(std::string const& name, int more) {
        sqlite3* raw = nullptr;
        int code =
            sqlite3_open_v2(name.c_str(), &raw, SQLITE_OPEN_READONLY | SQLITE_OPEN_NOMUTEX | more, nullptr);
        handle.reset(raw);
        if (code == SQLITE_OK) {
            code = sqlite3_exec(raw, "SELECT count(*) FROM sqlite_schema", nullptr, nullptr, nullptr);
        } else {
            handle.reset();
        }
        return code & 0xff;
    }
    StatementHandle prepare(std::string const& sql) const {
        sqlite3_stmt* raw = nullptr;
        if (sqlite3_prepare_v2(handle.get(), sql.c_str(), -1, &raw, nullptr) != SQLITE_OK) {
            refuse(Fault::corrupt, sqlite3_errmsg(handle.get()));
        }
        return StatementHandle{raw};
    }
    // The next row of `statement`; false at the end.
    bool step(sqlite3_stmt* statement) const {
        int const code = sqlite3_step(statement);
        if (code != SQLITE_ROW && code != SQLITE_DONE) {
            refuse(Fault::corrupt, sqlite3_errmsg(handle.get()));
        }
        return code == SQLITE_ROW;
    }
    DatabaseHandle handle;
};

bool can_be_read(sqlite3_stmt* row, void (*require)(Bytes)) {
    for (int i = 0; i < sqlite3_column_count(row); ++i) {
        if (std::string_view{sqlite3_column_name(row, i)} == "data") {
            auto const* const data = static_cast<std::byte const*>(sqlite3_column_blob(row, i));
            try {
                require({data, static_cast<std::size_t>(sqlite3_column_bytes(row, i))});
            } catch (Failed const&) {
                return false;
            }
        }
    }
    return true;
}

// A file of an older layout has fewer columns.
std::string columns_in(ReadOnly const& old, Database& fresh, std::string_view table) {
    std::vector<std::string> names;
    auto const info = old.prepare(fmt::format("SELECT name FROM pragma_table_info('{}')", table));
    while (old.step(info.get())) {
        std::string const name{reinterpret_cast<char const*>(sqlite3_column_text(info.get(), 0))};
        Query known{fresh, "SELECT 1 FROM pragma_table_info(?) WHERE name = ?", table,
                    std::string_view{name}};
        if (known.row()) {
            names.push_back(name);
        }
    }
    if (names.empty()) {
        refuse(Fault::older, fmt::format("there is no table {}", table));
    }
    return fmt::format("{}", fmt::join(names, ", "));
}

void require_whole(ReadOnly const& old, std::string_view table) {
    auto const check = old.prepare(fmt::format("PRAGMA quick_check('{}')", table));
    if (!old.step(check.get()) ||
        std::string_view{reinterpret_cast<char const*>(sqlite3_column_text(check.get(), 0))} != "ok") {
        refuse(Fault::corrupt, fmt::format("table {} is damaged", table));
    }
}

// Gives how many rows could not be read and were left.
std::size_t copy(ReadOnly const& old, Database& fresh, Table const& from) {
    auto const table = from.name;
    require_whole(old, table);
    auto const columns = columns_in(old, fresh, table);
    auto const rows = old.prepare(fmt::format("SELECT {} FROM {}", columns, table));
    int const count = sqlite3_column_count(rows.get());
    std::string const places = "?" + [&] {
        std::string more;
        for (int i = 1; i < count; ++i) {
            more += ", ?";
        }
        return more;
    }();
    Transaction transaction{fresh};
    auto* const insert =
        fresh.prepared(fmt::format("INSERT INTO {} ({}) VALUES ({})", table, columns, places));
    std::size_t left = 0;
    while (old.step(rows.get())) {
        if (from.require != nullptr && !can_be_read(rows.get(), from.require)) {
            ++left;
            continue;
        }
        for (int i = 0; i < count; ++i) {
            sqlite3_bind_value(insert, i + 1, sqlite3_column_value(rows.get(), i));
        }
        int const code = sqlite3_step(insert);
        sqlite3_reset(insert);
        if (code != SQLITE_DONE) {
            fresh.fail(fmt::format("carrying over {}", table));
        }
    }
    transaction.commit();
    return left;
}

}  // namespace

std::vector<fs::path> set_aside_of(fs::path const& store) {
    auto const begins = store.filename().string() + std::string{damaged};
    std::vector<fs::path> found;
    std::error_code ignored;
    for (auto const& entry : fs::directory_iterator{fs::absolute(store).parent_path(), ignored}) {
        auto const name = entry.path().filename().string();
        if (name.starts_with(begins) && !name.ends_with(beside[1]) && !name.ends_with(beside[2])) {
            found.push_back(entry.path());
        }
    }
    std::sort(found.begin(), found.end());
    return found;
}

SetAside set_aside(fs::path const& store, std::string why) {
    if (set_aside_of(store).size() >= most_set_aside) {
        refuse(
            Fault::corrupt,
            fmt::format(
                "{}; {} damaged ones lie beside it already, and one more is not set aside: the disk or the "
                "memory is failing. Mend that, move them elsewhere, put a backup in the store's place",
                why, most_set_aside));
    }
    SetAside aside{free_name(store), std::move(why), {}, {}};
    // Under both names first: cut at any moment, file and log lie together under one of them.
    for (auto const suffix : beside) {
        fs::path const from{store.string() + std::string{suffix}},
            to{aside.where.string() + std::string{suffix}};
        std::error_code failed;
        if (fs::exists(from)) {
            fs::create_hard_link(from, to, failed);
        }
        if (failed) {
            refuse(Fault::io, fmt::format("{}; it cannot be set aside as '{}': {}", aside.why, to.string(),
                                          failed.message()));
        }
    }
    for (auto const suffix : beside) {
        fs::remove(store.string() + std::string{suffix});
    }
    return aside;
}

void carry_over(Database& fresh, SetAside& aside, Bulk bulk) {
    std::error_code ignored;
    bool const large = bulk == Bulk::never || fs::file_size(aside.where, ignored) > bulk_bytes_most;
    auto const went = [&](std::string_view table) {
        return table.empty() ||
               std::find(aside.carried.begin(), aside.carried.end(), table) != aside.carried.end();
    };
    for (auto const& table : tables) {
        std::string const name{table.name};
        try {
            if (!went(table.refers_to) || (table.require != nullptr && large)) {
                aside.left.push_back(name);
                continue;
            }
            ReadOnly const old{aside.where};  // each time: after damage a connection remembers too much
            auto const left = copy(old, fresh, table);
            aside.carried.push_back(name);
            if (left > 0) {
                aside.left.push_back(fmt::format("{} of {}", left, name));
            }
        } catch (Failed const& error) {
            if (may_pass(error.fault())) {
                throw;  // the new one's disk
            }
            aside.left.push_back(name);
        }
    }
}

}  // namespace probekeeper::store

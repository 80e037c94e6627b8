// The store as its one writer sees it: a SQLite file in WAL mode, opened by one process at a time. `run` puts
// it on a thread of its own (writer.h); `replay` writes to it directly. Reading is done beside it, through
// reader.h.
//
// One thread at a time may use a Store. Every function that writes is whole or not at all: on a Failure
// nothing of it is in the file, and the same call may be made again. Inside together() they join one commit.
#pragma once

#include <cstdint>
#include <filesystem>
#include <functional>
#include <memory>
#include <optional>
#include <span>
#include <vector>

#include "store/result.h"
#include "store/set_aside.h"
#include "store/values.h"

namespace probekeeper::store {

// What a commit has to outlive. Either survives the death of the process at any moment, and neither can
// damage the file. `disk` also survives a power cut: it waits for the disk. `process` does not wait: a power
// cut takes back the commits since the last `disk` one, the newest first, never one out of their middle.
enum class Outlives : std::uint8_t { process, disk };

// What SQLite holds in memory for all connections of this process, in bytes: pages above all, whose caches
// are bounded (16 MiB for the one that writes, 4 MiB for each that reads), statements, and what a query works
// with.
[[nodiscard]] std::int64_t memory_used();

class Store {
public:
    struct Options {
        Millis busy_timeout{5000};
        // Memory for pages of the file, and how far the log grows before it is worked into the file. A bulk
        // load gains from more of both.
        int cache_kib = 16 * 1024;
        int log_kib = 4 * 1024;
        // A damaged store that was one before (its lock lies beside it) is set aside and a new one begun,
        // instead of refused with Fault::corrupt. Not one of a newer version, and no other program's file.
        bool set_aside_damaged = false;
        // Why it is to be set aside without being looked at: damage that showed while it was in use. Empty:
        // it is not.
        std::string damaged{};
        [[nodiscard]] static Options for_bulk() {
            Options options;
            options.cache_kib = options.log_kib = 64 * 1024;
            return options;
        }
    };

    // Opens or creates the file, takes its lock and brings it to today's layout. After an unclean end it also
    // checks the tables of people's records, tickets and checkpoints, which are small; the readings, which
    // may be many gigabytes, are covered by the log and not read through at a start.
    [[nodiscard]] static Result<Store> open(std::filesystem::path const& path, Options const& options);
    [[nodiscard]] static Result<Store> open(std::filesystem::path const& path) {
        return open(path, Options{});
    }
    // Opens `file`, another store than `of`, and lets it grow by so much; where it is not there yet it is
    // made, and knows all that can be read of `of` but readings. For store/stand_in.h.
    [[nodiscard]] static Result<Store> open_beside(std::filesystem::path const& file,
                                                   std::filesystem::path const& of, std::int64_t bytes_most);
    ~Store();
    Store(Store&&) noexcept;
    Store& operator=(Store&&) noexcept;

    [[nodiscard]] std::filesystem::path const& path() const;
    [[nodiscard]] bool ended_uncleanly() const;                      // the process that had it open before
    [[nodiscard]] std::optional<SetAside> const& set_aside() const;  // what lay in its place at open()
    [[nodiscard]] bool has_readings() const;
    [[nodiscard]] std::optional<Timestamp> newest() const;  // time of the newest reading of all

    // Makes `fleet` the probes of today and gives their keys in the same order. A probe that was known keeps
    // its key, one that is missing from `fleet` counts as removed at `now`; nothing of it is deleted.
    [[nodiscard]] Result<std::vector<ProbeKey>> enrol(std::vector<FleetProbe> const& fleet, Timestamp now);

    // The numbers of sites by which a SCADA system finds them, in the same order: given once, from 1, and
    // never to another site.
    [[nodiscard]] Result<std::vector<std::int64_t>> number_sites(std::vector<std::string> const& sites);

    // In any order. Probes must be enrolled. Tens of thousands at once are cheapest.
    [[nodiscard]] Result<Appended> append(std::span<ProbeReading const> readings);
    [[nodiscard]] Result<void> keep(Changes const& changes);
    // Moves the newest readings to where they take least room and are quickest to read. append() does it by
    // itself when they are many; this is for the end.
    [[nodiscard]] Result<void> compact();

    // One commit of everything that `work` writes; nothing of it where `work` returns a failure.
    [[nodiscard]] Result<void> together(Outlives outlives, std::function<Result<void>()> const& work);

    // A number for a new service record, above all that were given before. Not written down until the record
    // is.
    [[nodiscard]] std::int64_t reserve_record_number();
    [[nodiscard]] std::int64_t highest_ticket_number(std::string const& site) const;  // 0 where there is none

    // Deletes what Retention no longer covers, about `most` readings and minutes or a block of them, so that
    // a call takes milliseconds. Of readings their minutes stay. True while more is left.
    [[nodiscard]] Result<bool> expire_some(Retention const& retention, std::size_t most);

private:
    struct Open;
    explicit Store(std::unique_ptr<Open> open);
    std::unique_ptr<Open> open_;
};

}  // namespace probekeeper::store

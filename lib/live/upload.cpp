#include "live/upload.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <limits>

#include "intake/readings_csv.h"
#include "live/kept.h"

namespace probekeeper::live {
namespace {

using api::Refusal;
using Kind = Refusal::Kind;

constexpr std::size_t bad_rows_shown = 100;
constexpr std::size_t group = 5'000;
constexpr Millis most_ahead = std::chrono::minutes{5};

Refusal unwritten() {
    return {Kind::unavailable,
            "readings cannot be stored just now; send the same again later, what is stored is known",
            {},
            {}};
}

// Behind the readings and not with them: a crash between costs a second try of readings that are known by
// then.
bool keep_answer(api::Keep<api::Upload> const& keep, api::Upload const& upload, Timestamp now,
                 store::Writer& writer) {
    store::Changes changes;
    changes.answers = kept(keep ? keep(upload) : std::nullopt, now);
    return changes.answers.empty() || static_cast<bool>(writer.now(std::move(changes)).get());
}

class Taking {
public:
    Taking(std::filesystem::path const& file, fleet::Fleet const& fleet, Timestamp latest)
        : file_{file}, fleet_{fleet}, newest_(fleet.probes.size()) {
        options_.max_bad_rows = std::numeric_limits<std::uint64_t>::max();
        options_.latest = latest;
    }

    // Why nothing of it may be stored; finds out what it is about.
    [[nodiscard]] std::optional<Refusal> survey(std::vector<std::string> const& only) {
        std::vector<bool> seen(fleet_.probes.size());
        intake::ReadingsCsv csv{file_, fleet_, options_};
        while (auto const row = csv.next()) {
            auto const& site = fleet_.sites[fleet_.probes[row->probe].site].id;
            auto const time = row->reading.time;
            ranges_.emplace(site, Arrivals::Range{time, time}).first->second.last =
                time;  // rows come in order
            if (seen[row->probe]) {
                continue;
            }
            seen[row->probe] = true;
            if (auto refusal = refuse(fleet_.probes[row->probe], only)) {
                return refusal;
            }
        }
        return std::nullopt;
    }

    [[nodiscard]] std::optional<Refusal> store(std::vector<store::ProbeKey> const& keys,
                                               store::Writer& writer) {
        auto options = options_;
        options.bad_row = [this](intake::BadRow const& row) {
            if (upload_.bad_rows.size() < bad_rows_shown) {
                upload_.bad_rows.push_back({row.line, row.message});
            }
        };
        intake::ReadingsCsv csv{file_, fleet_, options};
        if (!forget_checkpoints(writer)) {
            return unwritten();
        }
        std::vector<store::ProbeReading> readings;
        while (auto const row = csv.next()) {
            note(*row);
            readings.push_back({keys[row->probe], row->reading});
            if (readings.size() == group && !put(readings, writer)) {
                return unwritten();
            }
        }
        if (!put(readings, writer)) {
            return unwritten();
        }
        auto const counts = csv.counts();
        upload_.rows = counts.rows;
        upload_.repeated += counts.repeated;
        upload_.bad = counts.bad;
        return std::nullopt;
    }

    void show(Board& board) const {
        for (fleet::ProbeIndex probe = 0; probe < newest_.size(); ++probe) {
            if (newest_[probe]) {
                board.show_reading(probe, *newest_[probe]);
            }
        }
    }

    [[nodiscard]] Arrivals::BySite const& ranges() const { return ranges_; }
    [[nodiscard]] api::Upload const& upload() const { return upload_; }

private:
    [[nodiscard]] std::optional<Refusal> refuse(fleet::Probe const& probe,
                                                std::vector<std::string> const& only) const {
        auto const& site = fleet_.sites[probe.site].id;
        if (!only.empty() && std::find(only.begin(), only.end(), site) == only.end()) {
            return Refusal{Kind::forbidden,
                           fmt::format("probe {} is at {}, which this token does not cover", probe.id, site),
                           {},
                           {}};
        }
        if (probe.line) {
            return Refusal{
                Kind::conflict,
                fmt::format("probe {} is polled by the daemon; only probes that are fed by CSV take uploads",
                            probe.id),
                {},
                {}};
        }
        return std::nullopt;
    }

    void note(intake::Row const& row) {
        newest_[row.probe] = row.reading;
        upload_.first = upload_.first.value_or(row.reading.time);
        upload_.last = row.reading.time;
    }

    // States that do not know these readings must not be gone on from, should the daemon die before it has
    // made them again.
    [[nodiscard]] bool forget_checkpoints(store::Writer& writer) const {
        store::Changes changes;
        for (auto const& [site, range] : ranges_) {
            changes.rewinds.push_back({site, range.first});
        }
        return static_cast<bool>(writer.now(std::move(changes)).get());
    }

    [[nodiscard]] bool put(std::vector<store::ProbeReading>& readings, store::Writer& writer) {
        if (readings.empty()) {
            return true;
        }
        auto const appended = writer.add_surely(std::exchange(readings, {})).get();
        if (!appended) {
            return false;
        }
        upload_.accepted += appended->written;
        upload_.repeated += appended->repeats;
        upload_.expired += appended->expired;
        return true;
    }

    std::filesystem::path const& file_;
    fleet::Fleet const& fleet_;
    intake::CsvOptions options_;
    api::Upload upload_;
    std::vector<std::optional<Reading>> newest_;  // of each probe
    Arrivals::BySite ranges_;
};

}  // namespace

api::Answer<api::Upload> take_upload(std::filesystem::path const& file, std::vector<std::string> const& only,
                                     api::Keep<api::Upload> const& keep, Timestamp now,
                                     std::vector<store::ProbeKey> const& keys, store::Writer& writer,
                                     Board& board, Arrivals& arrivals) {
    try {
        Taking taking{file, board.fleet(), now + most_ahead};
        if (auto const refusal = taking.survey(only)) {
            return *refusal;
        }
        // Also of what was stored before a failure, and where every row was a repeat: the first try may have
        // ended before it came to this.
        Arrivals::Announced const announced{arrivals, taking.ranges()};
        auto failure = taking.store(keys, writer);
        if (!failure && !keep_answer(keep, taking.upload(), now, writer)) {
            failure = unwritten();
        }
        taking.show(board);
        if (failure) {
            return *failure;
        }
        return taking.upload();
    } catch (intake::CsvError const& error) {
        return Refusal{Kind::invalid, error.what(), "header", {}};
    }
}

}  // namespace probekeeper::live

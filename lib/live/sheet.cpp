#include "live/sheet.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <sstream>

#include "intake/service_csv.h"

namespace probekeeper::live {
namespace {

using Row = api::RecordSheet::Row;

constexpr std::size_t most_rows = 5000;

std::string refusal_of(service::Record const& record, std::vector<std::string> const& only, Timestamp now,
                       fleet::Fleet const& fleet) {
    auto const& site = fleet.sites[fleet.probes[*fleet.find_probe(record.probe)].site].id;
    if (!only.empty() && std::find(only.begin(), only.end(), site) == only.end()) {
        return fmt::format("column probe: {} is at {}, which this token does not cover", record.probe, site);
    }
    if (record.time > now + std::chrono::minutes{5}) {
        return fmt::format("column time: {} lies ahead; a record is of work that has been done",
                           to_rfc3339(record.time));
    }
    return {};
}

api::Refusal too_many() {
    return {
        api::Refusal::Kind::invalid,
        fmt::format("a sheet may have {} rows; send it in parts, the same row again does no harm", most_rows),
        "rows",
        {}};
}

// The rows in the order of the sheet, each with what became of it.
api::RecordSheet sheet_of(std::vector<Row> refused, std::vector<std::uint64_t> const& lines,
                          std::vector<api::TakenRecord> const& taken) {
    api::RecordSheet sheet{std::move(refused)};
    for (std::size_t i = 0; i < taken.size(); ++i) {
        sheet.rows.push_back({lines[i], taken[i], {}});
    }
    std::sort(sheet.rows.begin(), sheet.rows.end(),
              [](Row const& a, Row const& b) { return a.line < b.line; });
    return sheet;
}

}  // namespace

api::Answer<api::RecordSheet> take_sheet(std::string const& csv, std::vector<std::string> const& only,
                                         Timestamp now, fleet::Fleet const& fleet, Keeper& keeper,
                                         api::Keep<api::RecordSheet> const& keep) {
    std::vector<Row> refused;
    intake::CsvOptions options;
    options.max_bad_rows = most_rows;
    options.bad_row = [&](intake::BadRow const& row) {
        refused.push_back({row.line, std::nullopt, row.message});
    };
    std::vector<intake::ServiceRow> rows;
    try {
        rows = intake::read_service_rows(std::make_unique<std::istringstream>(csv), fleet, options);
    } catch (intake::TooManyBadRows const&) {
        return too_many();
    } catch (intake::CsvError const& error) {
        return api::Refusal{api::Refusal::Kind::invalid, error.what(), "header", {}};
    }
    if (rows.size() + refused.size() > most_rows) {
        return too_many();
    }
    std::vector<std::uint64_t> lines;
    std::vector<service::Record> records;
    for (auto& [line, record] : rows) {
        if (auto why = refusal_of(record, only, now, fleet); !why.empty()) {
            refused.push_back({line, std::nullopt, std::move(why)});
            continue;
        }
        lines.push_back(line);
        records.push_back(std::move(record));
    }
    auto const keep_sheet = [&](std::vector<api::TakenRecord> const& taken) {
        return keep ? keep(sheet_of(refused, lines, taken)) : std::nullopt;
    };
    auto const taken = keeper.add_records(records, /*repeats_are_known=*/true, keep_sheet);
    if (!taken) {
        return taken.error();
    }
    return sheet_of(refused, lines, taken.value());
}

}  // namespace probekeeper::live

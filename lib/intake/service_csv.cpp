#include "intake/service_csv.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <array>
#include <iterator>
#include <string>

#include "base/text.h"
#include "intake/cells.h"
#include "intake/columns.h"
#include "intake/complete.h"

namespace probekeeper::intake {
namespace {

using service::Record;

constexpr std::array<std::string_view, 25> names{"time",
                                                 "probe",
                                                 "kind",
                                                 "dry_zero_mg_l",
                                                 "dry_zero_found_mg_l",
                                                 "air_percent",
                                                 "reference_mg_l",
                                                 "reference_percent",
                                                 "probe_mg_l",
                                                 "pressure_hpa",
                                                 "serial",
                                                 "visit",
                                                 "by",
                                                 "note",
                                                 "site",
                                                 "location",
                                                 "ticket",
                                                 "work",
                                                 "why_now",
                                                 "parts",
                                                 "cautions",
                                                 "minutes",
                                                 "week",
                                                 "date",
                                                 "technician"};
constexpr std::size_t first_number = 3, first_text = 10, first_unread = 14;
constexpr std::size_t unnamed = names.size();

struct Number {
    std::optional<double> Record::*member;
    double lowest, highest;
};
// In the order of `names`.
constexpr std::array<Number, first_text - first_number> numbers{{
    {&Record::dry_zero_mg_l, lowest_do_mg_l, highest_do_mg_l},
    {&Record::dry_zero_found_mg_l, lowest_do_mg_l, highest_do_mg_l},
    {&Record::air_percent, 0.0, highest_do_percent},
    {&Record::reference_mg_l, 0.0, highest_do_mg_l},
    {&Record::reference_percent, 0.0, highest_do_percent},
    {&Record::probe_mg_l, lowest_do_mg_l, highest_do_mg_l},
    {&Record::pressure_hpa, lowest_pressure_hpa, highest_pressure_hpa},
}};
constexpr std::array<std::string Record::*, 4> texts{&Record::serial, &Record::visit, &Record::by,
                                                     &Record::note};
constexpr std::size_t longest_text = 4000;

// A spreadsheet takes a cell that begins with = + - @ for a formula; a ' before it is the usual protection.
std::string_view unprotected(std::string_view cell) {
    constexpr std::string_view formula_starts = "=+-@";
    bool const is_protected =
        cell.size() > 1 && cell[0] == '\'' && formula_starts.find(cell[1]) != std::string_view::npos;
    return is_protected ? cell.substr(1) : cell;
}

std::string read_kind(std::string_view cell, Record& record) {
    auto const kind = service::work_of(cell);
    if (kind) {
        record.kind = *kind;
        return {};
    }
    std::vector<std::string_view> words;
    for (int i = 0; i <= static_cast<int>(service::Work::inspection); ++i) {
        words.push_back(service::to_word(static_cast<service::Work>(i)));
    }
    auto const nearest = nearest_word(cell.substr(0, 64), words);
    return fmt::format("column kind: {} is no kind of work{}; known are {}", shown(cell),
                       nearest ? fmt::format(", did you mean {}?", *nearest) : "", fmt::join(words, ", "));
}

std::string read_number(std::size_t column, std::string_view cell, Record& record) {
    if (cell.empty()) {
        return {};
    }
    auto const& [member, lowest, highest] = numbers[column - first_number];
    auto const number = parse_number(cell);
    if (!number) {
        return fmt::format("column {}: {} is not a number", names[column], shown(cell));
    }
    if (*number < lowest || *number > highest) {
        return fmt::format("column {}: {} does not lie in {}..{}", names[column], shown(cell), lowest,
                           highest);
    }
    record.*member = number;
    return {};
}

std::string read_cell(std::size_t column, std::string_view cell, fleet::Fleet const& fleet, Record& record) {
    if (column == unnamed) {
        return cell.empty()
                   ? std::string{}
                   : fmt::format("{} stands in a column without a name: give it its name in the header row",
                                 shown(cell));
    }
    if (column >= first_unread) {
        return {};
    }
    if (column >= first_text) {
        if (cell.size() > longest_text) {
            return fmt::format("column {}: {} is longer than {} bytes", names[column], shown(cell),
                               longest_text);
        }
        record.*texts[column - first_text] = cell;
        return {};
    }
    if (column >= first_number) {
        return read_number(column, cell, record);
    }
    if (names[column] == "time") {
        if (cell.empty()) {
            return "column time: is empty, and a row counts only when it says when the work was done, such "
                   "as "
                   "2026-03-01T06:00:00Z";
        }
        auto const time = parse_time_cell(cell);
        record.time = time.value_or(Timestamp{});
        return time ? std::string{} : no_time(cell);
    }
    if (names[column] == "probe") {
        record.probe = cell;
        return fleet.find_probe(cell) ? std::string{} : no_probe(cell, fleet);
    }
    return read_kind(cell, record);
}

// What is wrong with the row; empty where `record` has been filled.
std::string read_row(CsvRows const& rows, std::vector<std::size_t> const& columns, fleet::Fleet const& fleet,
                     Record& record) {
    if (!rows.problem().empty()) {
        return std::string{rows.problem()};
    }
    if (rows.cells().size() != columns.size()) {
        return fmt::format("has {} cells, the header row has {}", rows.cells().size(), columns.size());
    }
    for (std::size_t i = 0; i < columns.size(); ++i) {
        auto problem = read_cell(columns[i], unprotected(trimmed(rows.cells()[i])), fleet, record);
        if (!problem.empty()) {
            return problem;
        }
    }
    return {};
}

// Places in `names`; `unnamed` for a column without a name. Throws CsvError.
std::vector<std::size_t> places_of(std::vector<std::string_view> const& header) {
    std::vector<std::string_view> named;
    std::copy_if(header.begin(), header.end(), std::back_inserter(named),
                 [](std::string_view cell) { return !trimmed(cell).empty(); });
    auto const known = columns_of(named, names, /*required=*/3);
    std::vector<std::size_t> places;
    std::size_t next = 0;
    for (auto const cell : header) {
        places.push_back(trimmed(cell).empty() ? unnamed : known[next++]);
    }
    return places;
}

}  // namespace

std::vector<Record> read_service_csv(std::filesystem::path const& file, fleet::Fleet const& fleet,
                                     CsvOptions options) {
    return read_service_csv(opened(file), fleet, std::move(options));
}

std::vector<Record> read_service_csv(std::unique_ptr<std::istream> text, fleet::Fleet const& fleet,
                                     CsvOptions options) {
    auto rows = read_service_rows(std::move(text), fleet, std::move(options));
    std::vector<Record> records;
    records.reserve(rows.size());
    std::transform(rows.begin(), rows.end(), std::back_inserter(records),
                   [](ServiceRow& row) { return std::move(row.record); });
    return records;
}

std::vector<ServiceRow> read_service_rows(std::unique_ptr<std::istream> text, fleet::Fleet const& fleet,
                                          CsvOptions options) {
    CsvRows rows{std::move(text)};
    BadRows bad{std::move(options)};
    go_to_header(rows);
    auto const columns = places_of(rows.cells());
    std::vector<ServiceRow> good;
    while (rows.next()) {
        Record record;
        auto problem = read_row(rows, columns, fleet, record);
        if (problem.empty()) {
            good.push_back({rows.line(), std::move(record)});
        } else {
            bad.add(rows.line(), std::move(problem));
        }
    }
    return good;
}

}  // namespace probekeeper::intake

#include "intake/readings_csv.h"

#include <spdlog/fmt/fmt.h>

#include <array>
#include <sstream>

#include "base/text.h"
#include "intake/cells.h"
#include "intake/columns.h"

namespace probekeeper::intake {
namespace {

// The order of `names`.
enum Column : std::size_t {
    time_column,
    probe_column,
    do_mg_l_column,
    do_percent_column,
    po2_hpa_column,
    temperature_column,
    salinity_column,
    pressure_column,
    airflow_column,
    cleaning_column,
    aeration_column,
    hold_column,
    fault_column,
    column_count
};
constexpr std::array<std::string_view, column_count> names{
    "time",         "probe",   "do_mg_l",  "do_percent", "po2_hpa", "temperature_c", "salinity_psu",
    "pressure_hpa", "airflow", "cleaning", "aeration",   "hold",    "fault"};

constexpr bool is_bit(std::size_t column) {
    return column >= cleaning_column;
}
constexpr std::array<Mark, 4> marks{mark_cleaning, mark_aeration, mark_hold, mark_fault};

double& number_of(Reading& reading, std::size_t column) {
    constexpr std::array<double Reading::*, 7> members{
        &Reading::do_mg_l,      &Reading::do_percent,   &Reading::po2_hpa, &Reading::temperature_c,
        &Reading::salinity_psu, &Reading::pressure_hpa, &Reading::airflow};
    return reading.*members[column - do_mg_l_column];
}

bool same(double a, double b) {
    return a == b || (!is_read(a) && !is_read(b));
}

bool same(Reading const& a, Reading const& b) {
    return same(a.do_mg_l, b.do_mg_l) && same(a.do_percent, b.do_percent) && same(a.po2_hpa, b.po2_hpa) &&
           same(a.temperature_c, b.temperature_c) && same(a.salinity_psu, b.salinity_psu) &&
           same(a.pressure_hpa, b.pressure_hpa) && same(a.airflow, b.airflow) && a.known == b.known &&
           a.marks == b.marks;
}

}  // namespace

ReadingsCsv::ReadingsCsv(std::filesystem::path const& file, fleet::Fleet const& fleet, CsvOptions options)
    : ReadingsCsv{opened(file), fleet, std::move(options)} {
    std::error_code unknown;
    auto const size = std::filesystem::file_size(file, unknown);
    bytes_total_ = unknown ? 0 : size;
}

ReadingsCsv ReadingsCsv::from_text(std::string text, fleet::Fleet const& fleet, CsvOptions options) {
    auto const size = text.size();
    ReadingsCsv reader{std::make_unique<std::istringstream>(std::move(text)), fleet, std::move(options)};
    reader.bytes_total_ = size;
    return reader;
}

ReadingsCsv::ReadingsCsv(std::unique_ptr<std::istream> text, fleet::Fleet const& fleet, CsvOptions options)
    : fleet_{&fleet}, text_{std::move(text)}, latest_{options.latest}, bad_{std::move(options)} {
    for (fleet::ProbeIndex i = 0; i < fleet.probes.size(); ++i) {
        places_.push_back(place_of(fleet, i));
        index_of_.emplace(fleet.probes[i].id, i);
        follower_.push_back(i);
    }
    read_header();
}

void ReadingsCsv::read_header() {
    go_to_header(text_);
    columns_ = columns_of(text_.cells(), names, /*required=*/2);
    int quantities = 0;
    for (auto const column : columns_) {
        quantities += column >= do_mg_l_column && column <= po2_hpa_column ? 1 : 0;
    }
    if (quantities != 1) {
        throw CsvError{
            fmt::format("header row: exactly one of do_mg_l, do_percent and po2_hpa must be there, not {}",
                        quantities == 0 ? "none" : "several")};
    }
}

std::optional<Row> ReadingsCsv::next() {
    for (;;) {
        auto const [row, line] = order_.pop();
        if (row == nullptr) {
            if (at_end_) {
                return std::nullopt;
            }
            gather();
            continue;
        }
        bool const again =
            handed_out_ && handed_out_->probe == row->probe && handed_out_->reading.time == row->reading.time;
        if (!again) {
            handed_out_ = *row;
            handed_out_line_ = line;
            return handed_out_;
        }
        if (same(handed_out_->reading, row->reading)) {
            ++repeated_;
        } else {
            bad_.add(line, fmt::format("says something else of {} at {} than line {}",
                                       fleet_->probes[row->probe].id, to_rfc3339(row->reading.time),
                                       handed_out_line_));
        }
    }
}

void ReadingsCsv::gather() {
    while (!order_.full()) {
        if (!text_.next()) {
            at_end_ = true;
            break;
        }
        take_row();
    }
    order_.release(/*everything=*/at_end_);
}

void ReadingsCsv::take_row() {
    ++rows_;
    Row row;
    if (auto problem = parse(row); !problem.empty()) {
        bad_.add(text_.line(), std::move(problem));
        return;
    }
    if (row.reading.time > latest_) {
        bad_.add(text_.line(),
                 fmt::format("column time: {} lies in the future", to_rfc3339(row.reading.time)));
        return;
    }
    if (!order_.in_time(row.reading.time)) {
        bad_.add(text_.line(), fmt::format("column time: {} is more than five minutes behind {} of line {}",
                                           to_rfc3339(row.reading.time), to_rfc3339(order_.newest()),
                                           order_.newest_line()));
        return;
    }
    complete(row.reading, places_[row.probe]);
    order_.push(row, text_.line());
}

// What is wrong with the current row; empty where `row` has been filled.
std::string ReadingsCsv::parse(Row& row) {
    if (!text_.problem().empty()) {
        return std::string{text_.problem()};
    }
    auto const& cells = text_.cells();
    if (cells.size() != columns_.size()) {
        return fmt::format("has {} cells, the header row has {}", cells.size(), columns_.size());
    }
    for (std::size_t i = 0; i < cells.size(); ++i) {
        if (!parse_cell(columns_[i], cells[i], row) && !parse_cell(columns_[i], trimmed(cells[i]), row)) {
            return what_is_wrong(columns_[i], trimmed(cells[i]));
        }
    }
    return {};
}

bool ReadingsCsv::parse_cell(std::size_t column, std::string_view cell, Row& row) {
    if (column == time_column) {
        auto const time = times_.parse(cell);
        row.reading.time = time.value_or(Timestamp{});
        return time.has_value();
    }
    if (column == probe_column) {
        auto const probe = probe_of(cell);
        row.probe = probe.value_or(0);
        return probe.has_value();
    }
    if (cell.empty()) {
        return true;
    }
    if (is_bit(column)) {
        bool const is_0_or_1 = cell == "0" || cell == "1";
        row.reading.set(marks[column - cleaning_column], is_0_or_1 && cell == "1");
        return is_0_or_1;
    }
    auto const number = parse_number(cell);
    number_of(row.reading, column) = number.value_or(not_read);
    return number.has_value();
}

// Rows of many probes mostly come in the same order time after time, so the follower of the last one is tried
// before the id is looked up.
std::optional<fleet::ProbeIndex> ReadingsCsv::probe_of(std::string_view id) {
    if (follower_.empty()) {
        return std::nullopt;
    }
    auto probe = follower_[last_probe_];
    if (fleet_->probes[probe].id != id) {
        auto const found = index_of_.find(id);
        if (found == index_of_.end()) {
            return std::nullopt;
        }
        probe = found->second;
        follower_[last_probe_] = probe;
    }
    last_probe_ = probe;
    return probe;
}

std::string ReadingsCsv::what_is_wrong(std::size_t column, std::string_view cell) const {
    if (column == time_column) {
        return no_time(cell);
    }
    if (column == probe_column) {
        return no_probe(cell, *fleet_);
    }
    return fmt::format("column {}: {} is not {}", names[column], shown(cell),
                       is_bit(column) ? "0 or 1" : "a number");
}

}  // namespace probekeeper::intake

// Reads the CSV of readings: a historian's export, or a recording to be replayed. A header row names the
// columns in any order: `time,probe`, exactly one of `do_mg_l,do_percent,po2_hpa`, and optional
// `temperature_c, salinity_psu,pressure_hpa,airflow,cleaning,aeration,hold,fault`. Bits are 0 or 1; an empty
// cell is "not read".
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <unordered_map>
#include <vector>

#include "fleet/fleet.h"
#include "intake/bad_rows.h"
#include "intake/complete.h"
#include "intake/csv_rows.h"
#include "intake/in_order.h"
#include "intake/time_cells.h"

namespace probekeeper::intake {

// A pull reader in a fixed amount of memory: chunks of the file, and the rows of five minutes.
//
// Rows must be in time order to within five minutes, all probes together; a row further behind the newest one
// before it is bad. So is one that says something else than an earlier row of the same time and probe; one
// that says the same is dropped and counted. Bad rows are reported, counted and skipped.
class ReadingsCsv {
public:
    struct Counts {
        std::uint64_t rows = 0;      // data rows seen, of whatever kind
        std::uint64_t repeated = 0;  // of them, exact repeats of an earlier row
        std::uint64_t bad = 0;       // of them, bad ones
    };

    // `fleet` must outlive the reader. Throw CsvError where the file cannot be read or its header row is
    // wrong.
    ReadingsCsv(std::filesystem::path const& file, fleet::Fleet const& fleet, CsvOptions options = {});
    ReadingsCsv(std::unique_ptr<std::istream> text, fleet::Fleet const& fleet, CsvOptions options = {});
    [[nodiscard]] static ReadingsCsv from_text(std::string text, fleet::Fleet const& fleet,
                                               CsvOptions options = {});

    // The next reading in order of (time, probe), completed; empty at the end. Throws TooManyBadRows, and
    // CsvError where reading fails; after that the reader can only be destroyed.
    [[nodiscard]] std::optional<Row> next();

    [[nodiscard]] Counts counts() const { return {rows_, repeated_, bad_.count()}; }
    // For a progress bar. The total is 0 where it is not known (a pipe).
    [[nodiscard]] std::uint64_t bytes_read() const { return text_.bytes_read(); }
    [[nodiscard]] std::uint64_t bytes_total() const { return bytes_total_; }

private:
    void read_header();
    void gather();
    void take_row();
    [[nodiscard]] std::string parse(Row& row);
    [[nodiscard]] bool parse_cell(std::size_t column, std::string_view cell, Row& row);
    [[nodiscard]] std::optional<fleet::ProbeIndex> probe_of(std::string_view id);
    [[nodiscard]] std::string what_is_wrong(std::size_t column, std::string_view cell) const;

    fleet::Fleet const* fleet_;
    CsvRows text_;
    std::uint64_t bytes_total_ = 0;
    Timestamp latest_;
    BadRows bad_;
    std::uint64_t rows_ = 0, repeated_ = 0;
    std::vector<std::size_t> columns_;  // of each cell of a row
    TimeCells times_;
    std::vector<Place> places_;  // of each probe
    std::unordered_map<std::string_view, fleet::ProbeIndex> index_of_;
    std::vector<fleet::ProbeIndex> follower_;  // of each probe, the one that came after it last time
    fleet::ProbeIndex last_probe_ = 0;
    InOrder order_;
    bool at_end_ = false;
    std::optional<Row> handed_out_;  // the last one
    std::uint64_t handed_out_line_ = 0;
};

}  // namespace probekeeper::intake

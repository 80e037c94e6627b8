// Reads the CSV of service records: what people did to probes, one act a row. A header row names the columns
// in any order: `time,probe,kind` and optional `dry_zero_mg_l,dry_zero_found_mg_l,air_percent,reference_mg_l,
// reference_percent,probe_mg_l,pressure_hpa,serial,visit,by,note`.
#pragma once

#include <cstdint>
#include <filesystem>
#include <istream>
#include <memory>
#include <vector>

#include "fleet/fleet.h"
#include "intake/bad_rows.h"
#include "service/record.h"

namespace probekeeper::intake {

// A row that could be used, and the line of the text on which it begins, from 1.
struct ServiceRow {
    std::uint64_t line = 0;
    service::Record record;
};

// The records in the order of the file, which may be any order of time. Rows that cannot be used are reported
// and left out. Throws CsvError where the file cannot be read or its header row is wrong, TooManyBadRows.
//
// Bad is a row with an unknown probe or kind, a number that is none, or one that no instrument shows: mg/L
// outside -8..60 (a reference: 0..60), percent outside 0..400, pressure outside 500..1100 hPa. A text longer
// than 4000 bytes is bad too. A cell that begins with ' before = + - @ was protected for a spreadsheet, and
// loses the '.
//
// A sheet that people filled in may have columns more: those of the round sheet that only people read, which
// are left out (site, location, ticket, work, why_now, parts, cautions, minutes, week, date, technician), and
// columns without a name and without content, as spreadsheets add them. Any other is refused, for it may be a
// measurement under a name with a slip.
[[nodiscard]] std::vector<service::Record> read_service_csv(std::filesystem::path const& file,
                                                            fleet::Fleet const& fleet,
                                                            CsvOptions options = {});
[[nodiscard]] std::vector<service::Record> read_service_csv(std::unique_ptr<std::istream> text,
                                                            fleet::Fleet const& fleet,
                                                            CsvOptions options = {});
// The same with the lines.
[[nodiscard]] std::vector<ServiceRow> read_service_rows(std::unique_ptr<std::istream> text,
                                                        fleet::Fleet const& fleet, CsvOptions options = {});

}  // namespace probekeeper::intake

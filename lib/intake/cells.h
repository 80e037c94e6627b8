// What both CSV files have in common: how a file is opened, and what is said of cells that both have.
#pragma once

#include <filesystem>
#include <istream>
#include <memory>
#include <string>
#include <string_view>

#include "fleet/fleet.h"
#include "intake/csv_rows.h"

namespace probekeeper::intake {

// Throws CsvError where the file cannot be opened.
[[nodiscard]] std::unique_ptr<std::istream> opened(std::filesystem::path const& file);

// Goes to the header row; throws CsvError where there is none.
void go_to_header(CsvRows& rows);

// "column time: `x` is neither an RFC 3339 time such as ... nor an integer of Unix milliseconds"
[[nodiscard]] std::string no_time(std::string_view cell);
// "column probe: `tank-2` is no probe of the configuration; did you mean tank-1?"
[[nodiscard]] std::string no_probe(std::string_view cell, fleet::Fleet const& fleet);

}  // namespace probekeeper::intake

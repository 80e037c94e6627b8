#include "intake/cells.h"

#include <spdlog/fmt/fmt.h>

#include <fstream>
#include <vector>

#include "base/text.h"
#include "intake/bad_rows.h"

namespace probekeeper::intake {

std::unique_ptr<std::istream> opened(std::filesystem::path const& file) {
    auto in = std::make_unique<std::ifstream>(file, std::ios::binary);
    if (!*in || std::filesystem::is_directory(file)) {
        throw CsvError{fmt::format("{} cannot be opened for reading", file.string())};
    }
    return in;
}

void go_to_header(CsvRows& rows) {
    if (!rows.next()) {
        throw CsvError{"the file is empty; a header row must name the columns"};
    }
    if (!rows.problem().empty()) {
        throw CsvError{fmt::format("header row: {}", rows.problem())};
    }
}

std::string no_time(std::string_view cell) {
    return fmt::format(
        "column time: {} is neither an RFC 3339 time such as 2026-03-01T06:00:00Z nor an integer of Unix "
        "milliseconds",
        shown(cell));
}

std::string no_probe(std::string_view cell, fleet::Fleet const& fleet) {
    constexpr std::size_t longest_id = 48;
    std::vector<std::string_view> ids;
    if (cell.size() <= longest_id) {
        for (auto const& probe : fleet.probes) {
            ids.emplace_back(probe.id);
        }
    }
    auto const nearest = nearest_word(cell, ids);
    return fmt::format("column probe: {} is no probe of the configuration{}", shown(cell),
                       nearest ? fmt::format("; did you mean {}?", *nearest) : "");
}

}  // namespace probekeeper::intake

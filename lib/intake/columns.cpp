#include "intake/columns.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <string>

#include "base/text.h"
#include "intake/bad_rows.h"

namespace probekeeper::intake {
namespace {

std::string unknown_column(std::string_view name, std::span<std::string_view const> known) {
    if (name.find(';') != std::string_view::npos || name.find('\t') != std::string_view::npos) {
        return fmt::format("{} is no column name: cells must be separated by commas", shown(name));
    }
    auto const nearest = nearest_word(name, known);
    return fmt::format("column {} is not known{}; known are {}", shown(name),
                       nearest ? fmt::format(", did you mean {}?", *nearest) : "", fmt::join(known, ", "));
}

}  // namespace

std::vector<std::size_t> columns_of(std::vector<std::string_view> const& header,
                                    std::span<std::string_view const> known, std::size_t required) {
    std::vector<std::size_t> places;
    std::vector<std::string> problems;
    for (auto const cell : header) {
        auto const name = trimmed(cell);
        auto const at = std::find(known.begin(), known.end(), name);
        auto const place = static_cast<std::size_t>(at - known.begin());
        if (at == known.end()) {
            problems.push_back(unknown_column(name, known));
        } else if (std::find(places.begin(), places.end(), place) != places.end()) {
            problems.push_back(fmt::format("column {} stands twice", name));
        }
        places.push_back(place);
    }
    for (std::size_t i = 0; i < required; ++i) {
        if (std::find(places.begin(), places.end(), i) == places.end()) {
            problems.push_back(fmt::format("column {} is missing", known[i]));
        }
    }
    if (!problems.empty()) {
        throw CsvError{fmt::format("header row: {}", fmt::join(problems, "; "))};
    }
    return places;
}

}  // namespace probekeeper::intake

// The header row of a CSV file against the columns that the file may have.
#pragma once

#include <cstddef>
#include <span>
#include <string_view>
#include <vector>

namespace probekeeper::intake {

// For each cell of the header the place of its name in `known`. Throws CsvError with everything that is
// wrong: an unknown name (with the nearest one), a name twice, a missing one of the first `required` names.
[[nodiscard]] std::vector<std::size_t> columns_of(std::vector<std::string_view> const& header,
                                                  std::span<std::string_view const> known,
                                                  std::size_t required);

}  // namespace probekeeper::intake

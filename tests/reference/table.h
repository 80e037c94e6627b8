// Published values as they lie in data/: comment lines, one line of names, rows of numbers.
#pragma once

#include <string_view>
#include <vector>

namespace probekeeper::reference {

// Throws where the file is missing, empty or not made of numbers: a check against nothing must not pass.
[[nodiscard]] std::vector<std::vector<double>> rows_of(std::string_view name);

}  // namespace probekeeper::reference

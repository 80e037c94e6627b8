// A score as JSON lines for scripts, and as tables for people.
#pragma once

#include <string>

#include "score.h"

namespace probekeeper::backtest {

// One line a fault, a mistake and an estimate out of its interval; one summary line a kind of water and one
// over all ("fleet":"all").
[[nodiscard]] std::string json_lines(Score const& score);

[[nodiscard]] std::string tables(Score const& score);

}  // namespace probekeeper::backtest

// The instants that make_history and simulated_devices must agree on, and how both are told.
#pragma once

#include <string>

#include "base/time.h"

namespace probekeeper::estate {

// A history of `days` days that ended at `until`.
struct HistorySpan {
    Timestamp from{}, until{};
};

// `until` is RFC 3339. Throws std::invalid_argument, with what would be right, on anything else and on
// a length outside 0.01 to 400 days.
[[nodiscard]] HistorySpan history_span(std::string const& until, double days);

}  // namespace probekeeper::estate

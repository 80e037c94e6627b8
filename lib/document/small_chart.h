// A chart small enough for a sheet of paper.
#pragma once

#include <span>
#include <string>

#include "base/time.h"
#include "diagnosis/verdict.h"

namespace probekeeper::document {

inline constexpr double small_chart_days = 90.0;

// The response times of the last 90 days, which is what most visits are about, as SVG. Empty where no test
// was used.
[[nodiscard]] std::string small_chart(std::span<diagnosis::ResponseTest const> tests, Timestamp now);

}  // namespace probekeeper::document

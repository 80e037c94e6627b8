// What happens, as documents for those who listen.
#pragma once

#include <string>

#include "base/time.h"
#include "diagnosis/verdict.h"
#include "fieldbus/fault.h"

namespace probekeeper::live {

[[nodiscard]] std::string condition_event(std::string const& probe, diagnosis::Condition condition,
                                          Timestamp at);
// `fault` is none where the line is up.
[[nodiscard]] std::string line_event(std::string const& line, bool up, fieldbus::Fault fault, Timestamp at);

}  // namespace probekeeper::live

// What is asked back about a record that does not fit what else is known. The record is kept as it was given:
// whoever was there knows best.
#pragma once

#include <chrono>
#include <span>
#include <string>
#include <vector>

#include "service/record.h"

namespace probekeeper::service {

// Records closer together than this are one visit, as the interface has it.
inline constexpr std::chrono::hours one_visit{3};

// A probe that the readings show in hand, out of the water or being calibrated.
struct HandlingSeen {
    std::string probe;
    Timestamp from{}, until{};
};

// What else is known around a record.
struct Around {
    std::vector<HandlingSeen> seen;     // at the record's site, within one_visit of it
    std::vector<std::string> recorded;  // probes with records of the same visit
    std::string serial;                 // in the position then; empty: nobody named it
};

// Sentences with a question each; empty where all fits:
// - work that takes a probe out of the water, while the readings show handling at other probes of the site,
//   of which no record tells, and none at this one;
// - a serial other than that of the instrument in the position, in a record that is no probe_swap.
[[nodiscard]] std::vector<std::string> questions_about(Record const& record, Around const& around);

}  // namespace probekeeper::service

// What is asked back about a record that does not fit what else is known. The record is kept as it was given:
// whoever was there knows best.
#pragma once

#include <chrono>
#include <map>
#include <span>
#include <string>
#include <vector>

#include "diagnosis/service_change.h"
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

// Changes of service as they were seen, in order, by probe.
using ServiceChanges = std::map<std::string, std::vector<diagnosis::ServiceChange>>;

// Less than one_visit apart, or of the same name for the visit.
[[nodiscard]] bool of_one_visit(Record const& a, Record const& b);

// `others`: records of the site, of which those of the same visit count. `seen`: of the probes of the site,
// at least those around the record. `serial` as in Around.
[[nodiscard]] Around around(Record const& record, std::span<Record const* const> others,
                            ServiceChanges const& seen, std::string serial);

// Sentences with a question each; empty where all fits:
// - work that takes a probe out of the water, while the readings show handling at other probes of the site,
//   of which no record tells, and none at this one;
// - a serial other than that of the instrument in the position, in a record that is no probe_swap.
[[nodiscard]] std::vector<std::string> questions_about(Record const& record, Around const& around);

// What the visit still wants, by what is recorded of it so far, a sentence each: a calibration after a new
// membrane; a clean cathode where the dry zero, as left, lies beyond `background_limit_mg_l`. `visit`: the
// records of this probe of the same visit, with or without `record` itself. Of what the readings want after
// it the diagnosis tells.
[[nodiscard]] std::vector<std::string> still_to_do(Record const& record, std::span<Record const* const> visit,
                                                   double background_limit_mg_l);

}  // namespace probekeeper::service

// What service has taught, as JSON: how often reasons were right, how long membranes last, what parts will be
// needed.
#pragma once

#include <boost/json/object.hpp>

#include "service/findings.h"
#include "service/membranes.h"
#include "service/parts.h"

namespace probekeeper::document {

// "site" and "kind" (of water) say of which tickets; both null: of all. "right", "low" and "high" (90 %) are
// null where nobody looked.
[[nodiscard]] boost::json::object to_json(service::ReasonTally const& tally);

// "end" is "worn", "by_plan", or null while the membrane is in use; "reason" why it was changed, where a
// ticket says so.
[[nodiscard]] boost::json::object to_json(service::MembraneLife const& life);
[[nodiscard]] boost::json::object to_json(service::LifeStatistics const& statistics);

[[nodiscard]] boost::json::object to_json(service::PartsDemand const& demand);

}  // namespace probekeeper::document

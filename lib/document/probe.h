// A probe as JSON: what the configuration says of it, how it is, and its newest reading.
#pragma once

#include <boost/json/object.hpp>
#include <optional>
#include <string>
#include <string_view>

#include "base/reading.h"
#include "diagnosis/verdict.h"
#include "fleet/fleet.h"

namespace probekeeper::document {

struct Probe {
    std::string id, site;
    std::optional<std::string> line;  // none: fed by CSV only
    std::optional<int> unit;          // with a line
    std::string location;
    fleet::Use use = fleet::Use::monitor;
    std::string
        serial;  // of the instrument in this position now: a probe_swap record outranks the configuration
    diagnosis::Condition condition = diagnosis::Condition::unknown;
    diagnosis::ServiceState service_state = diagnosis::ServiceState::in_service;
    std::optional<std::string> open_ticket;  // id of its unfinished ticket
    std::optional<Reading> last_reading;
};

// The configured half of it; the rest is left to whoever knows how the probe is.
[[nodiscard]] Probe probe_of(fleet::Fleet const& fleet, fleet::ProbeIndex index);

[[nodiscard]] boost::json::object to_json(Probe const& probe);

// Such a document read again. Empty: it is no probe.
[[nodiscard]] std::optional<Probe> probe_of(std::string_view text);

}  // namespace probekeeper::document

// What tickets must know of a probe's configuration.
#pragma once

#include <string>

#include "fleet/fleet.h"

namespace probekeeper::service {

struct ProbeFacts {
    std::string id;
    fleet::Use use = fleet::Use::monitor;
    std::string membrane;  // the kind that it takes; may be empty
    fleet::SiteKind site_kind = fleet::SiteKind::aquaculture;
};

}  // namespace probekeeper::service

// What the rooms below must be told of the configuration, each in its own words.
#pragma once

#include "diagnosis/handling.h"
#include "diagnosis/setup.h"
#include "fleet/fleet.h"
#include "service/instruments.h"
#include "service/record.h"
#include "service/ticket_book.h"

namespace probekeeper::pipeline {

// The probes of `site`, in the order of their ids.
[[nodiscard]] std::vector<fleet::ProbeIndex> probes_of(fleet::Fleet const& fleet, fleet::SiteIndex site);
[[nodiscard]] diagnosis::SiteSetup setup_of(fleet::Fleet const& fleet, fleet::SiteIndex site);
[[nodiscard]] service::ProbeFacts facts_of(fleet::Fleet const& fleet, fleet::ProbeIndex probe);
// `places`: the probes of the site, in the order of its setup. `instruments`: by all records known.
[[nodiscard]] diagnosis::Handling handling_of(service::Record const& record,
                                              service::Instruments const& instruments,
                                              std::vector<service::ProbeFacts> const& places);
// The serial that the configuration names for each position.
[[nodiscard]] std::map<std::string, std::string> configured_serials(fleet::Fleet const& fleet);

}  // namespace probekeeper::pipeline

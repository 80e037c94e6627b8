// A part of a configuration as TOML again, for a program that plans rounds over sites of others.
#pragma once

#include <string>

#include "fleet/fleet.h"

namespace probekeeper::fleet {

// The site with its probes: what rounds, tickets and lists need of it. Probes are written as if fed by CSV,
// without lines and registers; every limit of a probe is written out. Nothing in it is secret but the site's
// access notes, which are for whoever goes there. load() gives the same site and probes back.
[[nodiscard]] std::string site_as_toml(Fleet const& fleet, SiteIndex site);

}  // namespace probekeeper::fleet

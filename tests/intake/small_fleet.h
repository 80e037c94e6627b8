// A site with four CSV-fed probes, made without a configuration file.
#pragma once

#include "fleet/fleet.h"

namespace probekeeper::intake {

inline fleet::Fleet small_fleet() {
    fleet::Fleet fleet;
    fleet::Site site;
    site.id = "saltmarsh";
    site.salinity_psu = 0.0;
    site.pressure_hpa = 1013.25;
    fleet.sites.push_back(site);
    for (auto const* id : {"basin-1", "basin-2", "tank-1", "tank-2"}) {
        fleet::Probe probe;
        probe.id = id;
        fleet.probes.push_back(probe);
    }
    return fleet;
}

}  // namespace probekeeper::intake

// How long the way is from everywhere to everywhere.
#pragma once

#include "fleet/fleet.h"
#include "rounds/week.h"

namespace probekeeper::rounds {

// km along the great circle by haversines; mean radius 6371.0088 km (IUGG). Degrees.
[[nodiscard]] double great_circle_km(double latitude_a, double longitude_a, double latitude_b,
                                     double longitude_b);

// In seconds, of all depots and then all sites, in their order: written times where there are any, else the
// great circle by road factor and speed.
[[nodiscard]] std::vector<Ticks> travel_of(fleet::Fleet const& fleet);

}  // namespace probekeeper::rounds

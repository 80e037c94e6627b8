// Published instances, and weeks made from a seed.
#pragma once

#include <string>

#include "rounds/week.h"

namespace probekeeper::rounds {

// A tour from the first node and back: one shift without hours, travel is the published distance.
[[nodiscard]] Week tour_of(std::string const& csv, bool geographic);
// Distances and times times `scale`, and cut to whole ticks: 10 gives the usual one decimal.
[[nodiscard]] Week solomon_of(std::string const& csv, int scale, int vehicles);
// A week of a contractor: sites around `depots` depots, five days, visits with windows, urgency and ranks.
[[nodiscard]] Week made_week(std::uint64_t seed, int sites, int technicians, int depots);
[[nodiscard]] std::string data(std::string const& name);

}  // namespace probekeeper::rounds

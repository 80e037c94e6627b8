// An own best known of a week from a seed, by searching it much longer than a round is.
#pragma once

#include <cstdint>

namespace probekeeper::rounds {

// Searches for so many seconds of processor time, from nothing and from the best known in turn, each pair
// twice as long as the last and by other chances. Begins from the file of the seed where there is one, tells
// each better plan as it comes and keeps it in the file when its search ends.
void search_long(std::uint64_t seed, double seconds);

}  // namespace probekeeper::rounds

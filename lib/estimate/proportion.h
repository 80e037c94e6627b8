// How sure a share is that was counted.
#pragma once

#include <cstdint>

namespace probekeeper::estimate {

struct ShareInterval {
    double low = 0.0, high = 1.0;
};

// The interval that holds the true share with probability `level` (0..1), after `hits` in `trials`
// independent trials: Jeffreys', that is the quantiles of Beta(hits + 1/2, trials - hits + 1/2), with 0 and 1
// as the ends where nothing or everything hit (Brown, Cai and DasGupta 2001, Statistical Science 16,
// 101-133). All of 0..1 after no trial. 0 <= hits <= trials.
[[nodiscard]] ShareInterval share_interval(std::int64_t hits, std::int64_t trials, double level);

}  // namespace probekeeper::estimate

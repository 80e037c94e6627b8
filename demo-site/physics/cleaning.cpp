#include "physics/cleaning.h"

#include <algorithm>

namespace probekeeper::physics {

Cleaner::Cleaner(CleanerSettings const& settings, Random random)
    : settings_{settings}, random_{random}, until_next_s_{settings.every_h * 3600.0 * random_.uniform()} {}

bool Cleaner::step(double dt_s) {
    if (blast_left_s_ > 0.0) {
        blast_left_s_ -= dt_s;
        return blast_left_s_ > 0.0;
    }
    until_next_s_ -= dt_s;
    if (until_next_s_ > 0.0) {
        return false;
    }
    until_next_s_ = settings_.every_h * 3600.0 * std::max(0.2, 1.0 + settings_.jitter * random_.normal());
    blast_left_s_ = settings_.blast_s;
    return true;
}

}  // namespace probekeeper::physics

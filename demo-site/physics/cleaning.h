// A timer that blasts air at a membrane, and how long each blast lasts.
#pragma once

#include "physics/random.h"

namespace probekeeper::physics {

struct CleanerSettings {
    double every_h = 6.0;
    double blast_s = 30.0;
    double jitter = 0.02;  // of the interval, relative
};

class Cleaner {
public:
    Cleaner(CleanerSettings const& settings, Random random);
    // Advances by dt_s; true while a blast is on. A blast shows for at least one step.
    bool step(double dt_s);
    [[nodiscard]] CleanerSettings const& settings() const { return settings_; }

private:
    CleanerSettings settings_;
    Random random_;
    double until_next_s_;
    double blast_left_s_ = 0.0;
};

}  // namespace probekeeper::physics

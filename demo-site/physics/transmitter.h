// What stands between a cell and the wire: damping, an update interval, clipping, rounding, a frozen output
// while a blast cleans the membrane.
#pragma once

#include "physics/random.h"

namespace probekeeper::physics {

struct TransmitterSettings {
    double noise_mg_l = 0.003;      // white, rms, new at each update
    double resolution_mg_l = 0.01;  // 0: none
    double damping_s = 0.0;         // time constant of its output filter; 0: none
    double update_s = 0.0;          // a new value this often; 0: at each step
    bool clips_at_zero = false;
    bool freezes_while_cleaning = false;
};

class Transmitter {
public:
    Transmitter(TransmitterSettings const& settings, Random random) : settings_{settings}, random_{random} {}

    // `stuck`: the output holds, whatever the cell does.
    void step(double dt_s, double cell_mg_l, bool cleaning, bool stuck = false);
    // As the register holds it.
    [[nodiscard]] double shown_mg_l() const { return shown_mg_l_; }
    [[nodiscard]] TransmitterSettings const& settings() const { return settings_; }

private:
    TransmitterSettings settings_;
    Random random_;
    double damped_mg_l_ = 0.0, shown_mg_l_ = 0.0;
    double since_update_s_ = 1e9;
    double for_dt_s_ = -1.0, follow_ = 1.0;
    bool started_ = false;
};

}  // namespace probekeeper::physics

#include "physics/transmitter.h"

#include <algorithm>
#include <cmath>

namespace probekeeper::physics {

void Transmitter::step(double dt_s, double cell_mg_l, bool cleaning, bool stuck) {
    if (dt_s != for_dt_s_) {
        for_dt_s_ = dt_s;
        follow_ = settings_.damping_s > 0.0 ? -std::expm1(-dt_s / settings_.damping_s) : 1.0;
    }
    damped_mg_l_ = started_ ? damped_mg_l_ + (cell_mg_l - damped_mg_l_) * follow_ : cell_mg_l;
    since_update_s_ += dt_s;
    bool const holds = started_ && (stuck || (cleaning && settings_.freezes_while_cleaning));
    started_ = true;
    if (holds || since_update_s_ < settings_.update_s) {
        return;
    }
    since_update_s_ = 0.0;
    double value = damped_mg_l_ + settings_.noise_mg_l * random_.normal();
    if (settings_.clips_at_zero) {
        value = std::max(0.0, value);
    }
    double const grain = settings_.resolution_mg_l;
    shown_mg_l_ = grain > 0.0 ? std::round(value / grain) * grain : value;
}

}  // namespace probekeeper::physics

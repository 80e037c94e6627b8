// Why the fall after a step into air may say nothing of the probe: the water fell itself, or moved meanwhile,
// or the blast reached a part of the membrane only.
#pragma once

#include <cstdint>

#include "diagnosis/air_step.h"

namespace probekeeper::diagnosis {

// Tells falls of the water from those of a probe that has slowed unseen, where no bit declares a step.
class SlowFalls {
public:
    // Every such fall that its fit believes, in order of time: whether it is the water's.
    [[nodiscard]] bool by_water(ResponseFit const& fit, double t90_guess_s);

private:
    double slow_tau_s_ = 0.0;       // of the newest fall that was slower than the probe should be
    std::uint32_t slow_alike_ = 0;  // such falls in a row, all as long
};

// Makes the fit as uncertain as the water was restless, and sets it aside where it was too much.
void own_up_to_moving_water(ResponseFit& fit, double noise);

// Makes a fit of the tail alone as uncertain as the flush of the water leaves it.
void own_up_to_flush(ResponseFit& fit);

// By the area of what a blast showed that a bit declares.
[[nodiscard]] bool reached_in_part(AirStep const& step, ResponseFit const& fit, ProbeKnown const& known);

// A decline that began too late for the aerator, of whose delay so much is known.
[[nodiscard]] bool runs_on(ResponseFit const& decline, double delay_s, double delay_error_s);

}  // namespace probekeeper::diagnosis

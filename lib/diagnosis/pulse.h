// A blast of the cleaner, or a short lift, as a whole: what a probe shows that the air reaches and leaves.
// Its tail alone tells neither the kind of the response nor what lags beside it; its whole course does.
#pragma once

#include <limits>
#include <span>

#include "diagnosis/response.h"

namespace probekeeper::diagnosis {

// How long water and air take to displace each other at a membrane, as a time constant. A guess at what is
// common; no source.
inline constexpr double usual_flush_s = 4.5;

// The step as it was declared; t = 0 is its end.
struct Pulse {
    double begin_s = 0.0;                       // negative
    double begin_gap_s = 0.0, end_gap_s = 0.0;  // between the readings on both sides of each end
    double way = 0.0;                           // from the water to air, in the readings' unit
    bool frozen = false;                        // the output does not move meanwhile
};

struct PulseFit {
    // ln T90 by a first-order lag, and by membrane diffusion; NaN where the readings tell neither.
    double ln_first_order = std::numeric_limits<double>::quiet_NaN();
    double ln_membrane = std::numeric_limits<double>::quiet_NaN();
    double ln_error = 0.0;           // standard error of the likelier one
    double membrane_evidence = 0.0;  // ln of the odds for the membrane
};

// Both kinds of response behind the flush of the water, whose time is part of the fit like what is open of
// the two moments and of the way to air. `tau_s`: the tail's time constant, from which it starts.
[[nodiscard]] PulseFit fit_pulse(std::span<FitPoint const> points, Pulse const& pulse, double tau_s,
                                 double noise);

}  // namespace probekeeper::diagnosis

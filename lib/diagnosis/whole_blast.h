// Fits a blast as a whole (pulse.h), where a bit or the readings tell when it began and ended.
#pragma once

#include <span>

#include "diagnosis/air_step.h"

namespace probekeeper::diagnosis {

// Blasts that a bit declares, and those that are found and show their way up; others leave `fit`, the one of
// the fall alone, as it is. In `points` t = 0 is the end of the step.
void fit_whole(std::span<FitPoint const> points, AirStep const& step, ProbeKnown const& known,
               ResponseFit& fit);

}  // namespace probekeeper::diagnosis

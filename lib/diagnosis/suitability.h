// What a position's readings can tell, put together from what its watches have learned.
#pragma once

#include "diagnosis/probe.h"
#include "diagnosis/verdict.h"

namespace probekeeper::diagnosis {

// `d`: the diagnosis at the same instant, whose quantities and reasons for not knowing them are used.
[[nodiscard]] Suitability suitability(ProbeState const& state, ProbeSetup const& setup, Diagnosis const& d);

}  // namespace probekeeper::diagnosis

// The signs of a membrane with a hole: what the readings show leaps, at this probe alone, and stays.
#pragma once

#include <cstdint>
#include <vector>

#include "diagnosis/probe.h"

namespace probekeeper::diagnosis {

// A step of the height of the readings that a load which changes, or more air, hardly makes within hours. A
// guess.
inline constexpr double far_step = 1.25;

// The floor and the height of the reading have leapt together: a hole lets oxygen past the membrane and
// residue in. Water with hardly any load does both, too, and for the hours of a night: a hole is still there
// when a day has passed. Once told it lasts as long as the floor stays up. To be asked hourly or oftener.
[[nodiscard]] bool broken(ProbeState& state, std::int64_t now_ms);

// The height of the reading leaps, and what blasts show in air goes with it: the cell reads more of whatever
// comes, and no water does that to air; a setting that does it reaches its neighbours, too. Or it flutters
// since, as richer water does not: what coarse readings hid of their movement before makes no leap of that by
// itself. Once told it lasts as long as the reading in air is too high, or it flutters. To be asked hourly or
// oftener.
[[nodiscard]] bool reads_more_of_all(ProbeState& state, ProbeSetup const& setup, std::int64_t now_ms,
                                     std::vector<Shown> const& neighbours);

// A leap of the movement is the membrane's if no neighbour shares it and, where there is none to ask, if the
// level leaps too or no water could move so; and if it is still there when what moves water for some hours
// has passed. The level is held against days of which those with the hole soon are a part: that it leapt is
// kept.
[[nodiscard]] bool moves_through_hole(ProbeState& state, std::int64_t now_ms,
                                      std::vector<Shown> const& neighbours);

}  // namespace probekeeper::diagnosis

// How the reading in air of a probe moves.
#pragma once

namespace probekeeper::diagnosis {

// Growth of variance in a day of the level (percent^2) and of its slope (percent^2/day^2), and the slope's
// before anything is seen. A probe drifts by some tenths of a percent a day, and begins to within a week or
// two. Guesses.
constexpr double level_noise = 0.01, slope_noise = 0.0005, slope_prior = 0.01;

}  // namespace probekeeper::diagnosis

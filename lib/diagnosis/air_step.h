// A step into air and back, as far as bits or readings tell it: after it the reading falls as the probe lets
// it.
#pragma once

#include <cstdint>

#include "diagnosis/candidate.h"
#include "diagnosis/piece.h"

namespace probekeeper::diagnosis {

struct AirStep {
    bool active = false;    // its fall is being watched
    bool declared = false;  // by a bit: then its begin is known
    bool by_hand = false;   // put back into the water by somebody who has worked on it
    TestSource source = TestSource::cleaning;
    std::int64_t begin_ms = 0;  // the step began: last reading before it
    std::int64_t first_ms = 0;  // first reading in it; only where declared, or found
    std::int64_t end_ms = 0;    // the step ended: middle between the readings on both sides
    std::int64_t deadline_ms = 0;
    double saturation = 9.1;
    double base = 0.0;

    // Where declared: each end lies in the middle between the readings on both sides of it.
    [[nodiscard]] double length_s() const { return s_between((begin_ms + first_ms) / 2, end_ms); }
    [[nodiscard]] bool told_blast() const { return declared && source == TestSource::cleaning; }
};

// A reading lies on the way up between these parts of the height. Past half of it a slow membrane climbs on
// after the blast, whether the output froze in it or not. Guesses.
inline constexpr double on_the_way_from = 0.15, on_the_way_to = 0.5;

// The output froze meanwhile, as far as is known of the transmitter or the fit shows.
[[nodiscard]] inline bool output_froze(ResponseFit const& fit, ProbeKnown const& known) {
    // Of the height that the tail comes from, what the readings must show while the blast lasts.
    constexpr double least_held = 0.05;
    return known.frozen || !(fit.held / fit.step > least_held);
}

}  // namespace probekeeper::diagnosis

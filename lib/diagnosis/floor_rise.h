// The rise out of water without oxygen that no bit declares: near-flat, low, and then up. How steeply is for
// the fit to judge.
#pragma once

#include <cstdint>
#include <optional>

#include "diagnosis/candidate.h"
#include "diagnosis/samples.h"
#include "diagnosis/view.h"

namespace probekeeper::diagnosis {

// What counts as water without oxygen: so low, of saturation. A guess.
inline constexpr double floor_part = 0.15;

class FloorRise {
public:
    // Readings in order of time, of a membrane in the water alone. `last_ms`: of the one before.
    void take(View const& view, ProbeKnown const& known, std::int64_t last_ms);
    // A rise that is over by now, as a test; once each.
    [[nodiscard]] std::optional<Candidate> finish(View const& view, Samples const& samples);
    void drop() { *this = {}; }

private:
    std::int64_t since_ms_ = 0;  // on the floor; 0: none
    double level_ = 0.0;
    std::int64_t left_ms_ = 0;  // last reading on it; 0 unless a rise is being watched
    std::int64_t deadline_ms_ = 0;
    double saturation_ = 9.1;
};

}  // namespace probekeeper::diagnosis

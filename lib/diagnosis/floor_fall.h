// The fall of the oxygen that no bit declares: the air stops over water that held oxygen for a while, and the
// water uses it up. Its moment is found in the readings, and so only the bend tells the probe.
#pragma once

#include <cstdint>
#include <optional>

#include "diagnosis/candidate.h"
#include "diagnosis/samples.h"
#include "diagnosis/view.h"

namespace probekeeper::diagnosis {

class FloorFall {
public:
    // As FloorRise::take().
    void take(View const& view, std::int64_t last_ms);
    // A fall that is over by now, as a test; once each.
    [[nodiscard]] std::optional<Candidate> finish(View const& view, ProbeKnown const& known,
                                                  Samples const& samples);
    void drop() { *this = {}; }

private:
    [[nodiscard]] std::int64_t begin_ms(Samples const& samples) const;

    std::int64_t began_ms_ = 0;  // to be plain; 0 unless a fall is being watched
    float level_ = 0.0F;         // lately; of a fall, before it
    float saturation_ = 9.1F;
};

}  // namespace probekeeper::diagnosis

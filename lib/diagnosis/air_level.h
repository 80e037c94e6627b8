// The reading in air, had it settled, over saturation: an error of the span shows there.
#pragma once

#include <cstdint>

#include "diagnosis/blast_length.h"

namespace probekeeper::diagnosis {

// After a long lift the reading has settled. Of a blast the area tells where it would: height times length,
// whatever lags.
class AirLevels {
public:
    // Every step whose fall has been fitted, in order of time. `fell_short`: the newest blast that should
    // have shown did less than usual.
    [[nodiscard]] AirLevel take(AirStep const& step, ResponseFit const& fit, Samples const& samples,
                                ProbeKnown const& known, bool fell_short);

    [[nodiscard]] double usual_length_s() const { return length_.usual_s(); }

private:
    [[nodiscard]] AirLevel of_blast(AirStep const& step, ResponseFit const& fit, Samples const& samples,
                                    ProbeKnown const& known);
    bool rises_seen(AirStep const& step, Samples const& samples);
    [[nodiscard]] double corrects_former(double way, double length_s);

    BlastLength length_;
    double way_ = 0.0;                // from the water to air, as the newest ones went, percent
    double reckoned_s_ = 0.0;         // the length that the newest one was taken for; 0: none yet
    std::uint32_t found_blasts_ = 0;  // that no bit declared, of the newest
    std::uint32_t found_rises_ = 0;   // of these, with readings on the way up
};

}  // namespace probekeeper::diagnosis

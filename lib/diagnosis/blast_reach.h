// How far towards air a cleaner's blasts drive the reading: one that does much less has not reached the
// membrane.
#pragma once

#include <cstdint>

#include "diagnosis/candidate.h"

namespace probekeeper::diagnosis {

// What a blast did to the reading: enough to see blasts that no longer reach the membrane.
struct BlastSeen {
    bool expected = false;  // the water was far enough from air for a blast to show
    bool shown = false;
};

class BlastReach {
public:
    struct Blast {
        double base, extreme, saturation, length_s;  // `extreme`: the furthest reading is from the base
        double unread_s = 0.0;  // so long after its end the first reading may come that shows it
    };
    // Each blast once; those that reach about as far as usual teach what is usual.
    [[nodiscard]] BlastSeen take(Blast const& blast, ProbeKnown const& known);

    // How far blasts reach has to be learned anew.
    void new_membrane() {
        reaches_ = 0;
        fell_short_ = false;
    }

    // The newest blast that should have shown did less than usual.
    [[nodiscard]] bool fell_short() const { return fell_short_; }
    // Of the way to air, what a blast so long usually shows of this probe.
    [[nodiscard]] double usual_part(double length_s, double t90_guess_s) const;

private:
    double usual_reach_ = 0.7;   // of the way to air that a blast's length and T90 allow
    std::uint32_t reaches_ = 0;  // blasts that taught it
    bool fell_short_ = false;
};

}  // namespace probekeeper::diagnosis

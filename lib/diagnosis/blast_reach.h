// How far towards air a cleaner's blasts drive the reading: one that does much less has not reached the
// membrane.
#pragma once

#include <cstdint>
#include <optional>

#include "diagnosis/candidate.h"

namespace probekeeper::diagnosis {

// What a blast did to the reading: enough to see blasts that no longer reach the membrane.
struct BlastSeen {
    bool expected = false;  // the water was far enough from air for a blast to show
    bool shown = false;
    bool short_of_usual = false;  // not shown, or far less than usual
};

// Where nobody knows what air reads, because no temperature tells the saturation: a blast goes a usual part
// of the way there, so that what blasts do falls on a line over what the water read before them.
class BlastLine {
public:
    // `step`: up or down, as far as one so long that it settles would have gone.
    void take(double base, double step);
    // What one does in such water; empty until enough have been seen.
    [[nodiscard]] std::optional<double> step(double base) const;

private:
    float bases_ = 0.0F, steps_ = 0.0F;  // means
    // Means: of what bases are off theirs, squared, and times what the steps are off theirs.
    float squares_ = 0.0F, products_ = 0.0F;
    float count_ = 0.0F;
};

class BlastReach {
public:
    struct Blast {
        // `height`: of the furthest reading over the base, or below.
        double base, height, saturation, length_s;
        double unread_s = 0.0;  // so long after its end the first reading may come that shows it
    };
    // Each blast once; those that reach about as far as usual teach what is usual.
    [[nodiscard]] BlastSeen take(Blast const& blast, ProbeKnown const& known);

    // How far blasts reach has to be learned anew.
    void new_membrane() {
        reaches_ = 0;
        line_ = {};
        fell_short_ = false;
    }

    // The newest blast that should have shown did less than usual.
    [[nodiscard]] bool fell_short() const { return fell_short_; }
    // Of the way to air, what a blast so long usually shows of this probe.
    [[nodiscard]] double usual_part(double length_s, double t90_guess_s) const;

private:
    // Of one in water whose saturation is not known: `allowed` of what it would do if it settled, of which
    // `read` is seen, and `least` stands out.
    [[nodiscard]] BlastSeen seen_by_line(Blast const& blast, double allowed, double read, double least);

    BlastLine line_;
    double usual_reach_ = 0.7;   // of the way to air that a blast's length and T90 allow
    std::uint32_t reaches_ = 0;  // blasts that taught it
    bool fell_short_ = false;
};

}  // namespace probekeeper::diagnosis

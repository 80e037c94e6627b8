// How long a cleaner's blasts are. The ends of one blast are known to a poll, those of many that a timer
// makes alike far better: as a bit tells them, or, where no bit does or it is read too seldom, by the area of
// what the probe showed while it was right.
#pragma once

#include <cstdint>

#include "diagnosis/air_step.h"

namespace probekeeper::diagnosis {

class BlastLength {
public:
    struct Known {
        double s, error;  // NaN: not known. The error is that of `fit.area / s`, alike in all blasts
        bool told;        // by a bit; else as of a probe that was right when its blasts taught it
        bool at_random;   // its blasts fall anywhere between two polls
    };

    // Every step, before it is asked for: all that a bit tells, whatever comes of their fits.
    void take(AirStep const& step);
    // Of the step just taken; where no bit tells the length this teaches it.
    [[nodiscard]] Known of(AirStep const& step, ResponseFit const& fit, double t90_guess_s);

    // A bit has told enough of them.
    [[nodiscard]] bool told() const;
    // So far, or a guess.
    [[nodiscard]] double usual_s() const;

private:
    struct Lengths {
        double mean_s = 0.0;
        double weight = 0.0;
        std::uint32_t count = 0;   // blasts that taught it
        std::uint32_t unlike = 0;  // newest blasts, in a row, that were of another length
        // NaN: not alike. `most`: so many teach it. `known_to_s`: how far two of one length may be told
        // apart.
        double usual(double length_s, double its_weight, std::uint32_t most, double known_to_s = 0.0);
    };

    [[nodiscard]] Known by_bit(AirStep const& step, ResponseFit const& fit) const;
    [[nodiscard]] Known by_area(AirStep const& step, ResponseFit const& fit, double t90_guess_s);
    [[nodiscard]] double drift(double t90_guess_s) const;
    void follow_timer(AirStep const& step);

    Lengths told_;               // as a bit tells it
    double told_s_ = 0.0;        // the same for the newest blast; NaN: it was of another length
    double told_every_s_ = 0.0;  // how often its bit is read
    std::int64_t told_ms_ = 0;   // end of the newest of them
    double timer_s_ = 0.0;       // from the one before
    std::uint32_t strewn_ = 0;   // of them, those that did not keep step with the polls
    Lengths taught_;             // as blasts themselves do, by their area
    double taught_t90_s_ = 0.0;  // how slow the probe was then
    bool told_well_ = false;     // the bit is read often enough to tell how long blasts are
};

}  // namespace probekeeper::diagnosis

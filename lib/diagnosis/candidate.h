// What the search for response tests starts from, and what it finds.
#pragma once

#include <cstdint>
#include <limits>

#include "base/time.h"
#include "diagnosis/response.h"
#include "diagnosis/verdict.h"

namespace probekeeper::diagnosis {

// What fits start from. `t90_guess_s`, today's best idea of the probe's T90 in this water, also decides how
// long to watch.
struct ProbeKnown {
    double t90_guess_s = 60.0;
    double delay_s = 5.0, delay_error_s = 20.0;  // of the aerator
    double membrane_probability = 0.5;           // of the kind of response
    double noise = 0.01;                         // standard deviation of a reading
    bool frozen = false;                         // the output, while the probe is cleaned
    double resolution = 0.0;                     // of the reading
    bool find_edges = false;                     // nothing else has tested it for long
    bool saturation_known = true;                // else the view's is a guess
    double in_air = 1.0;                         // what it reads in air, over saturation
    bool may_freeze = false;                     // the output, as far as is known
    ZeroReading zero;                            // what a decline ends in, if it goes on
    bool cleaner_failed = false;                 // and no blast has shown since
};

// The reading in air over saturation, had it settled, as an exposure tells it.
struct AirLevel {
    // NaN where the exposure does not tell it.
    double percent = std::numeric_limits<double>::quiet_NaN();
    double error = std::numeric_limits<double>::quiet_NaN();
    double alike = 0.0;    // the part of that error which all exposures have in common
    bool absolute = true;  // else it is as of a probe that was right when its blasts taught their length
    // What the exposures before it would read more than they were said to, now that the length of their
    // blasts is known better.
    double corrects_former = 0.0;
    // Of a blast: what the probe read in the water around it, percent; NaN of a lift.
    double water = std::numeric_limits<double>::quiet_NaN();
};

struct Candidate {
    Timestamp time{};
    std::int64_t tested_ms = 0;  // of many blasts, in the middle of them; 0: at its time
    TestSource source = TestSource::cleaning;
    ResponseFit fit;
    double temperature_c = 0.0;  // NaN where not read
    bool by_hand = false;        // somebody put it back after work
    bool lifted = false;         // by a person, into air and back
    bool air_timed = false;      // a measured airflow told when the air stopped
    AirLevel air;
};

}  // namespace probekeeper::diagnosis

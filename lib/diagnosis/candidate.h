// What the search for response tests starts from, and what it finds.
#pragma once

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
};

struct Candidate {
    Timestamp time{};
    TestSource source = TestSource::cleaning;
    ResponseFit fit;
    double temperature_c = 0.0;  // NaN where not read
    bool by_hand = false;        // somebody put it back after work
    bool lifted = false;         // by a person, into air and back
    bool air_timed = false;      // a measured airflow told when the air stopped
    // Of a step into air that had time to settle: the reading in air over saturation, in percent, and how
    // well it is known (standard deviation). NaN otherwise.
    double air_percent = std::numeric_limits<double>::quiet_NaN();
    double air_error = std::numeric_limits<double>::quiet_NaN();
    bool air_absolute = false;  // else it is as of a probe that was right when its blasts taught their length
};

}  // namespace probekeeper::diagnosis

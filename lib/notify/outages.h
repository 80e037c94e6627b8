// Tells the silence of a whole line or site from that of its probes. Pure: fed with what is known, and with
// the time.
#pragma once

#include <optional>
#include <vector>

#include "notify/messages.h"

namespace probekeeper::notify {

// A line as it stands.
struct LineSilence {
    fleet::SiteIndex site = 0;
    std::size_t probes = 0;
    bool up = false;         // it can be opened
    Timestamp newest{};      // reading of any of its probes
    Timestamp heard_from{};  // silence counts from here at the earliest: the daemon's own downtime is none
    Millis limit{};          // how long it may be silent
};

class Outages {
public:
    // What began or ended since the last look. A line is out when none of its probes gave a reading for
    // `limit`; one with a single probe only when it cannot be opened either, for else it is the probe. A site
    // is out when all its lines are, and then nothing is told of them singly; a line alone is told a minute
    // later, for its site may be falling silent with it.
    std::vector<Outage> look(std::vector<LineSilence> const& lines, std::size_t sites, Timestamp now);

private:
    std::vector<Outage> standing_;
};

}  // namespace probekeeper::notify

// From what is written to a Fleet: references become indices, defaults are filled in, and what only shows
// when tables are seen together is told.
#pragma once

#include "fleet/written.h"

namespace probekeeper::fleet {

struct Written {
    std::vector<WrittenSite> sites;
    std::vector<WrittenDepot> depots;
    std::vector<WrittenTechnician> technicians;
    std::vector<WrittenLine> lines;
    std::vector<WrittenMap> maps;
    std::vector<WrittenProbe> probes;
    std::vector<WrittenNotice> notices;
    WrittenLimits limits{};
    // False where a file could not be read: then a reference may well lead to what stands there.
    bool complete = true;
};

// Fills `fleet` but for its settings, and `notices`, sorted by id. Of no use where `problems` then holds any.
void resolve(Written written, Fleet& fleet, std::vector<NoticeSettings>& notices, Problems& problems);

}  // namespace probekeeper::fleet

// What the SCADA server serves of one configuration at work.
#pragma once

#include <memory>
#include <vector>

#include "live/board.h"
#include "live/keeper.h"
#include "live/stamp_clock.h"
#include "scada/server.h"

namespace probekeeper::live {

// By which a SCADA system finds them: of each probe and each site, in the fleet's order.
struct ScadaNumbers {
    std::vector<std::int64_t> probes, sites;
};

// `clock` must outlive the feed. Tickets can be marked as seen where the configuration allows it.
[[nodiscard]] scada::Feed scada_feed(std::shared_ptr<Board> const& board,
                                     std::shared_ptr<Keeper> const& keeper, ScadaNumbers numbers,
                                     StampClock const& clock);

}  // namespace probekeeper::live

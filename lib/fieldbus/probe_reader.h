// Reads all the signals of one probe, block by block, and remembers what its device will not give.
#pragma once

#include <optional>
#include <vector>

#include "base/time.h"
#include "fieldbus/decode.h"
#include "fieldbus/line.h"
#include "fieldbus/plan.h"
#include "fleet/fleet.h"

namespace probekeeper::fieldbus {

// The system clock, for time stamps only; waiting is by the steady clock.
class Clock {
public:
    virtual ~Clock() = default;
    [[nodiscard]] virtual Timestamp now() const = 0;
};

class SystemClock final : public Clock {
public:
    [[nodiscard]] Timestamp now() const override;
};

struct FailedBlock {
    Block block;
    LinkError error;
};

struct ProbeRead {
    std::vector<BlockData> blocks;    // that came, in the order read
    std::vector<FailedBlock> failed;  // that did not
    // Set if and only if the block of dissolved oxygen came: the instant at which it was complete.
    std::optional<Timestamp> at;
    std::chrono::microseconds latency{};  // of that block, from request to complete answer
    std::chrono::nanoseconds silent{};    // time spent waiting for answers that did not come whole
};

class ProbeReader {
public:
    ProbeReader(fleet::RegisterMap map, int unit, CostModel const& costs);

    // One pass over the blocks, dissolved oxygen first. `line` must be open. If the oxygen block fails, or
    // the line breaks, the rest is not asked for. A device that refuses a block with holes (exception 02) is
    // asked again at once for its signals alone, and from then on always so. Another block that gets no
    // answer while the oxygen one did is left out of the next 1, 2, 4, ... up to 64 passes: some devices pass
    // over in silence what they should refuse, and each such silence costs the line a whole timeout.
    [[nodiscard]] ProbeRead read(Line& line, Clock const& clock);

    [[nodiscard]] fleet::RegisterMap const& map() const { return map_; }

private:
    struct Planned {
        Block block;
        int left_out = 0;  // passes still to be left out
        int penalty = 0;   // passes that the next silence costs
    };
    // False: the rest of the pass is pointless.
    bool read_block(Line& line, Clock const& clock, std::size_t index, ProbeRead& out);
    bool split(std::size_t index);

    fleet::RegisterMap map_;
    int unit_;
    std::vector<Planned> plan_;
};

}  // namespace probekeeper::fieldbus

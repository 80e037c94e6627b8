// Reads each probe once and says exactly what came, or what is wrong: for whoever stands before a new line.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "fieldbus/decode.h"
#include "fieldbus/fault.h"
#include "fieldbus/probe_reader.h"
#include "fleet/fleet.h"

namespace probekeeper::fieldbus {

struct LoopRow {
    fleet::ProbeIndex probe = 0;
    std::vector<BlockData> blocks;    // raw, as they came
    std::vector<FailedBlock> failed;  // blocks that did not come, and why
    std::vector<NamedValue> values;   // in the units of the device
    LinkError line_error;  // Fault::none, or why the line could not be opened: then nothing was asked

    // Everything that the register map names was read and is a number.
    [[nodiscard]] bool passed() const;
};

// One row for each probe on a line, in order of probe; probes fed by CSV have none. With `only`, that probe
// alone. Blocks: probes one after the other, each at most one timeout a block; a line that cannot be opened
// is tried once.
[[nodiscard]] std::vector<LoopRow> loop_check(fleet::Fleet const& fleet, Clock const& clock,
                                              std::optional<fleet::ProbeIndex> only = std::nullopt);

// What to print of a row: a headline with the verdict, then indented a line for each block (registers in hex)
// and for each value or fault.
[[nodiscard]] std::vector<std::string> to_lines(LoopRow const& row, fleet::Fleet const& fleet);

}  // namespace probekeeper::fieldbus

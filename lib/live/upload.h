// Readings that come as a file by HTTP instead of over a wire.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "api/backend.h"
#include "fleet/fleet.h"
#include "live/arrivals.h"
#include "live/board.h"
#include "store/writer.h"

namespace probekeeper::live {

// Reads the file twice: to see whether all its probes may be written, and to store its readings. What lies
// ahead of `now` by more than five minutes is bad. `keys` are of the fleet's probes, in order. See
// api::Backend::add_readings.
[[nodiscard]] api::Answer<api::Upload> take_upload(std::filesystem::path const& file,
                                                   std::vector<std::string> const& only,
                                                   api::Keep<api::Upload> const& keep, Timestamp now,
                                                   std::vector<store::ProbeKey> const& keys,
                                                   store::Writer& writer, Board& board, Arrivals& arrivals);

}  // namespace probekeeper::live

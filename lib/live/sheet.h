// Round sheets that come back filled in.
#pragma once

#include <string>
#include <vector>

#include "api/backend.h"
#include "fleet/fleet.h"
#include "live/keeper.h"

namespace probekeeper::live {

// See api::Backend::add_records. Work that lies ahead of `now` is refused by its row.
[[nodiscard]] api::Answer<api::RecordSheet> take_sheet(std::string const& csv,
                                                       std::vector<std::string> const& only, Timestamp now,
                                                       fleet::Fleet const& fleet, Keeper& keeper,
                                                       api::Keep<api::RecordSheet> const& keep);

}  // namespace probekeeper::live

// The table of probes: ids to keys and back. Private to this room.
#pragma once

#include <optional>
#include <string_view>
#include <vector>

#include "store/sqlite.h"
#include "store/values.h"

namespace probekeeper::store {

[[nodiscard]] std::vector<KnownProbe> known_probes(Database& db);
[[nodiscard]] std::optional<ProbeKey> find_key(Database& db, std::string_view probe);
// Throws Fault::conflict for a probe that was never enrolled.
[[nodiscard]] ProbeKey key_of(Database& db, std::string_view probe);
// See Store::enrol.
[[nodiscard]] std::vector<ProbeKey> enrol_probes(Database& db, std::vector<FleetProbe> const& fleet,
                                                 Timestamp now);

}  // namespace probekeeper::store

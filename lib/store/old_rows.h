// Stores of layouts 1 to 3 held a row a reading and a row a minute. Private to this room.
#pragma once

#include "store/minutes.h"
#include "store/sqlite.h"
#include "store/values.h"

namespace probekeeper::store {

// Moves them into today's tables, a piece at a time, each a transaction of its own: cut at any point, the
// next start goes on where this one ended. Must be called before anything else reads or writes readings.
// Nothing where none are left.
void move_old_rows(Database& db, std::vector<KnownProbe> const& probes);

}  // namespace probekeeper::store

// The layouts of the file, oldest first. A layout that has been released is never edited: the next one is a
// step added at the end.
#pragma once

#include <span>

#include "store/sqlite.h"

namespace probekeeper::store {

using MigrationStep = char const*;  // SQL that leads from the layout before to this one

[[nodiscard]] std::span<MigrationStep const> layouts();

// Brings the file up to the last of `steps`. Each step and its PRAGMA user_version commit together, so a cut
// leaves a whole older layout. Throws Fault::newer for a file beyond the last step, Fault::foreign for a
// database that is not a store.
void migrate(Database& db, std::span<MigrationStep const> steps);

// For readers: throws unless the file has exactly the last layout.
void require_layout(Database& db, std::span<MigrationStep const> steps);

}  // namespace probekeeper::store

// A consistent copy of a store, also while a daemon writes to it.
#pragma once

#include <filesystem>

#include "store/result.h"

namespace probekeeper::store {

// Copies the store `from`, as it stands at one instant, to `to`, which appears whole or not at all and
// replaces a file that is there; only its owner may read it (mode 0600). The writer is not held up; its log
// grows while the copy is made.
[[nodiscard]] Result<void> backup(std::filesystem::path const& from, std::filesystem::path const& to);

}  // namespace probekeeper::store

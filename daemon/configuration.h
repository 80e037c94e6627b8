#pragma once

#include <filesystem>
#include <optional>

#include "fleet/fleet.h"

namespace probekeeper::daemon {

// The fleet of `config`, or nothing after every problem has been printed to stderr.
[[nodiscard]] std::optional<fleet::Fleet> load_or_complain(std::filesystem::path const& config);

}  // namespace probekeeper::daemon

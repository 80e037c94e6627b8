#pragma once

#include <filesystem>
#include <optional>
#include <vector>

#include "fleet/fleet.h"
#include "fleet/notice.h"

namespace probekeeper::daemon {

// The fleet of `config`, and who is told where that is asked for; or nothing after every problem has been
// printed to stderr.
[[nodiscard]] std::optional<fleet::Fleet> load_or_complain(
    std::filesystem::path const& config, std::vector<fleet::NoticeSettings>* notices = nullptr);

}  // namespace probekeeper::daemon

#include "daemon/configuration.h"

#include <spdlog/fmt/fmt.h>

#include <cstdio>

#include "fleet/load.h"

namespace probekeeper::daemon {

std::optional<fleet::Fleet> load_or_complain(std::filesystem::path const& config,
                                             std::vector<fleet::NoticeSettings>* notices) {
    auto loaded = fleet::load(config);
    for (auto const& problem : loaded.problems) {
        fmt::print(stderr, "{}\n", fleet::to_line(problem));
    }
    if (notices != nullptr) {
        *notices = std::move(loaded.notices);
    }
    return std::move(loaded.fleet);
}

}  // namespace probekeeper::daemon

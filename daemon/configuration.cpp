#include "daemon/configuration.h"

#include <spdlog/fmt/fmt.h>

#include <cstdio>

#include "fleet/load.h"

namespace probekeeper::daemon {

std::optional<fleet::Fleet> load_or_complain(std::filesystem::path const& config) {
    auto loaded = fleet::load(config);
    for (auto const& problem : loaded.problems) {
        fmt::print(stderr, "{}\n", fleet::to_line(problem));
    }
    return std::move(loaded.fleet);
}

}  // namespace probekeeper::daemon

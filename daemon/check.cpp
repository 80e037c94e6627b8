#include <spdlog/fmt/fmt.h>

#include "daemon/exit_codes.h"
#include "daemon/verbs.h"
#include "fleet/load.h"

namespace probekeeper::daemon {

int check(std::filesystem::path const& config) {
    auto const loaded = fleet::load(config);
    for (auto const& problem : loaded.problems) {
        fmt::print("{}\n", fleet::to_line(problem));
    }
    if (!loaded.fleet) {
        return wrong;
    }
    auto const& fleet = *loaded.fleet;
    fmt::print("{}: no problem; {} site(s), {} line(s), {} probe(s)\n", config.string(), fleet.sites.size(),
               fleet.lines.size(), fleet.probes.size());
    return done;
}

}  // namespace probekeeper::daemon

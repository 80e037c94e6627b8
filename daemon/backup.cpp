#include "store/backup.h"

#include <spdlog/fmt/fmt.h>

#include "daemon/configuration.h"
#include "daemon/exit_codes.h"
#include "daemon/verbs.h"

namespace probekeeper::daemon {

int backup(std::filesystem::path const& config, std::filesystem::path const& to) {
    auto const fleet = load_or_complain(config);
    if (!fleet) {
        return wrong;
    }
    if (auto const copied = store::backup(fleet->store.path, to); !copied) {
        fmt::print(stderr, "{}\n", copied.error().message);
        return failed;
    }
    fmt::print("{}: copied to {}\n", fleet->store.path.string(), to.string());
    return done;
}

}  // namespace probekeeper::daemon

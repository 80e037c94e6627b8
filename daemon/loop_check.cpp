#include "fieldbus/loop_check.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>

#include "base/text.h"
#include "daemon/configuration.h"
#include "daemon/exit_codes.h"
#include "daemon/verbs.h"

namespace probekeeper::daemon {
namespace {

void complain_of_probe(fleet::Fleet const& fleet, std::string const& id) {
    std::vector<std::string> ids;
    for (auto const& probe : fleet.probes) {
        ids.push_back(probe.id);
    }
    auto const near = nearest_word(id, ids);
    fmt::print(stderr, "--probe {}: there is no such probe{}\n", id,
               near ? "; did you mean " + *near + "?" : "");
}

}  // namespace

int loop_check(std::filesystem::path const& config, std::optional<std::string> const& probe) {
    auto const fleet = load_or_complain(config);
    if (!fleet) {
        return wrong;
    }
    auto const only = probe ? fleet->find_probe(*probe) : std::nullopt;
    if (probe && !only) {
        complain_of_probe(*fleet, *probe);
        return wrong;
    }
    if (only && !fleet->probes[*only].line) {
        fmt::print(stderr, "--probe {}: this probe is fed by CSV and has no line to check\n", *probe);
        return wrong;
    }
    bool passed = true;
    for (auto const& row : fieldbus::loop_check(*fleet, fieldbus::SystemClock{}, only)) {
        for (auto const& line : fieldbus::to_lines(row, *fleet)) {
            fmt::print("{}\n", line);
        }
        passed = passed && row.passed();
    }
    return passed ? done : failed;
}

}  // namespace probekeeper::daemon

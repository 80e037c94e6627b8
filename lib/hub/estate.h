// All sites' configurations as one fleet: what each site's daemon told of its own, with the depots and
// technicians of the hub. Read again only where it changed.
#pragma once

#include <spdlog/logger.h>

#include <cstdint>
#include <map>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <vector>

#include "fleet/fleet.h"
#include "postgres/connection.h"

namespace probekeeper::hub {

// The configuration that a site's daemon told; empty where it is none. No file of this machine is read.
[[nodiscard]] std::optional<fleet::Fleet> site_fleet_of(std::string const& toml);

// `own` with the sites and probes of `sites`, which are taken in order: of two with the same id the first
// counts.
[[nodiscard]] fleet::Fleet joined(fleet::Fleet const& own, std::vector<fleet::Fleet const*> const& sites);

class Estate {
public:
    struct Now {
        std::shared_ptr<fleet::Fleet const> fleet;
        std::string version;                       // another one for another fleet
        std::map<std::string, std::string> sites;  // of every probe ever told of, by its id
    };

    Estate(fleet::Fleet own, std::shared_ptr<spdlog::logger> log);

    // What the database says now. Throws postgres::Error.
    [[nodiscard]] std::shared_ptr<Now const> now(postgres::Connection& connection);
    // The hub's own configuration is another one.
    void use(fleet::Fleet own);

private:
    struct Site {
        std::string md5;
        std::optional<fleet::Fleet> fleet;
    };
    void read_changed(postgres::Connection& connection, std::vector<std::string> const& changed);

    std::shared_ptr<spdlog::logger> log_;
    std::mutex mutex_;  // guards the following
    fleet::Fleet own_;
    std::uint64_t uses_ = 0;  // of another configuration of the hub's own
    std::map<std::string, Site> sites_;
    std::shared_ptr<Now const> now_;
};

}  // namespace probekeeper::hub

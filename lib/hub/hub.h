// A hub at work: the API of all sites, served out of the hub's database.
#pragma once

#include <spdlog/logger.h>

#include <functional>
#include <memory>
#include <string>

#include "fleet/fleet.h"

namespace probekeeper::hub {

class Hub {
public:
    // Of [hub] it takes where the database is, of the rest [http], depots, technicians and [rounds]. Waits
    // for the database, for as long as `go_on` says so, lays it out or brings it up to date, and serves.
    // Throws std::runtime_error with a sentence where the address cannot be had, the database refuses us or
    // is of a newer program, and where the wait was given up.
    Hub(fleet::Fleet own, std::string version, std::shared_ptr<spdlog::logger> log,
        std::function<bool()> const& go_on);
    ~Hub();  // stops
    Hub(Hub const&) = delete;
    Hub& operator=(Hub const&) = delete;

    // Takes another configuration. Refused, and nothing changed, where [hub] or the address of [http] differ:
    // false, and the log says so.
    bool reload(fleet::Fleet own);

    // No new request, then those under way are answered, then connections are closed.
    void stop();

private:
    struct Running;
    std::unique_ptr<Running> running_;
};

}  // namespace probekeeper::hub

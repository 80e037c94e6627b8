// How the daemon itself is, as JSON.
#pragma once

#include <boost/json/object.hpp>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "base/time.h"

namespace probekeeper::document {

struct Queue {
    std::string name;
    std::uint64_t length = 0, limit = 0;
    std::uint64_t dropped = 0;  // since the start
};

// How it stands with the hub that is told of this daemon.
struct HubHealth {
    std::string state;  // "connecting", "connected", "catching_up", "unreachable", "refused"
    std::uint64_t waiting = 0,
                  hours_waiting = 0;  // facts, and hours of summaries, that it has yet to be told
    std::optional<Timestamp> oldest;  // since when the first of the facts waits
    std::optional<Timestamp> last_contact;
};

struct Health {
    enum class Status : std::uint8_t { ok, degraded, failing };
    Status status = Status::ok;
    std::string version;
    double uptime_s = 0.0;
    bool store_ok = true;
    std::string store_problem;  // a sentence, where it is not ok; names no path
    std::uint64_t store_bytes = 0;
    std::optional<Timestamp> newest_reading;
    std::uint64_t lines_up = 0, lines_down = 0;
    std::vector<Queue> queues;
    double clock_ahead_s = 0.0;
    std::vector<std::string> warnings;
    std::optional<HubHealth> hub;  // none: no hub is configured
};

// "store": {"status": "ok" or "failing", "problem", "bytes", "newest_reading"}, "lines": {"up", "down"},
// "queues": {NAME: {"length", "limit", "dropped"}}, "hub": null or {"state", "waiting", "hours_waiting",
// "oldest", "last_contact"}.
[[nodiscard]] boost::json::object to_json(Health const& health);

}  // namespace probekeeper::document

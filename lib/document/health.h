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
};

// "store": {"status": "ok" or "failing", "problem", "bytes", "newest_reading"}, "lines": {"up", "down"},
// "queues": {NAME: {"length", "limit", "dropped"}}.
[[nodiscard]] boost::json::object to_json(Health const& health);

}  // namespace probekeeper::document

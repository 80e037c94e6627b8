// What the HTTP side counts of itself. Thread-safe.
#pragma once

#include <array>
#include <atomic>
#include <cstddef>

#include "api/metrics.h"

namespace probekeeper::api {

struct HttpMetrics {
    std::array<std::atomic<std::uint64_t>, 5> answers{};  // by the first digit of the status, 1xx to 5xx
    Latencies took;                                       // from the whole request to its answer
    std::atomic<std::int64_t> connections{0}, event_clients{0};
    std::atomic<std::uint64_t> events_sent{0}, event_clients_dropped{0};

    void write(MetricsText& out) const;
};

}  // namespace probekeeper::api

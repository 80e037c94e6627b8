// Who works beside the daemon on what it keeps, while one configuration is at work: the feed of a hub. Live
// makes one by a function that it was given, and knows no more of it than this.
#pragma once

#include <spdlog/logger.h>

#include <filesystem>
#include <functional>
#include <memory>
#include <string>

#include "api/backend.h"
#include "api/metrics.h"
#include "document/health.h"
#include "fleet/fleet.h"
#include "live/stamp_clock.h"
#include "store/writer.h"

namespace probekeeper::live {

class Companion {
public:
    virtual ~Companion() = default;  // ends its work, within a second where nothing hangs
    Companion() = default;
    Companion(Companion const&) = delete;
    Companion& operator=(Companion const&) = delete;

    // Something was committed. From the store's thread: must not block.
    virtual void wake() = 0;
    // From any thread; must not block.
    virtual void add_health(document::Health& health) const = 0;
    virtual void write_metrics(api::MetricsText& out) const = 0;
};

// What it may use; all outlives it.
struct Surroundings {
    std::string version;
    std::shared_ptr<fleet::Fleet const> fleet;
    store::Writer& writer;
    std::filesystem::path store;
    api::Backend& backend;
    StampClock const& clock;
    std::shared_ptr<spdlog::logger> log;
};
using MakeCompanion = std::function<std::unique_ptr<Companion>(Surroundings const&)>;

}  // namespace probekeeper::live

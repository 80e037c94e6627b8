#include "daemon/service_manager.h"

#include <spdlog/fmt/fmt.h>
#include <systemd/sd-daemon.h>

#include <string>

namespace probekeeper::daemon {
namespace {

using std::chrono::steady_clock;

// A manager that cannot be told is no reason to stop polling; it notices by itself.
void tell(std::string const& state) {
    static_cast<void>(sd_notify(/*unset_environment=*/0, state.c_str()));
}

std::optional<steady_clock::duration> wanted_interval() {
    std::uint64_t within_us = 0;
    if (sd_watchdog_enabled(/*unset_environment=*/0, &within_us) <= 0) {
        return std::nullopt;
    }
    return std::chrono::microseconds{within_us / 3};  // one lost or late message is no alarm
}

}  // namespace

ServiceManager::ServiceManager() : every_{wanted_interval()} {}

void ServiceManager::ready() {
    tell("READY=1\nSTATUS=polling, diagnosing and serving");
}

void ServiceManager::reloading() {
    auto const now =
        std::chrono::duration_cast<std::chrono::microseconds>(steady_clock::now().time_since_epoch());
    tell(fmt::format("RELOADING=1\nMONOTONIC_USEC={}\nSTATUS=taking a changed configuration", now.count()));
}

void ServiceManager::stopping() {
    tell("STOPPING=1\nSTATUS=writing what has come");
}

void ServiceManager::alive() {
    auto const now = steady_clock::now().time_since_epoch().count();
    if (every_ && now - told_ >= every_->count()) {
        told_ = now;
        tell("WATCHDOG=1");
    }
}

}  // namespace probekeeper::daemon

// What the service manager that started us is told (systemd's notify protocol). Says nothing where there is
// none.
#pragma once

#include <atomic>
#include <chrono>
#include <optional>

namespace probekeeper::daemon {

class ServiceManager {
public:
    // Learns from the environment how often the manager wants to hear that we live (WATCHDOG_USEC).
    ServiceManager();

    void ready();      // the store is open and the API answers; also: the reload is over
    void reloading();  // until the next ready()
    void stopping();

    // To be called by the thread whose work matters, and by it alone, at each of its turns: the manager ends
    // and starts again a daemon in which it falls silent. Tells the manager as often as it needs to hear it.
    void alive();

private:
    std::optional<std::chrono::steady_clock::duration> every_;  // nobody watches: empty
    std::atomic<std::chrono::steady_clock::rep> told_{0};  // a reload changes the thread that calls alive()
};

}  // namespace probekeeper::daemon

// What people command at the hub: kept in the log of steps for the site's daemon, and answered with what that
// made of it. The log is only ever added to.
#pragma once

#include <spdlog/logger.h>

#include <chrono>
#include <condition_variable>
#include <cstdint>
#include <mutex>
#include <string>

#include "api/backend.h"
#include "hub/pool.h"

namespace probekeeper::hub {

// Wakes those who wait for an outcome. Thread-safe.
class OutcomeBell {
public:
    void ring();
    [[nodiscard]] std::uint64_t rung() const;
    // Until it was rung more often than `before`, for `at_most`.
    void wait(std::uint64_t before, std::chrono::milliseconds at_most);

private:
    mutable std::mutex mutex_;  // guards the following
    std::condition_variable wake_;
    std::uint64_t rung_ = 0;
};

class Commands {
public:
    struct Options {
        std::chrono::milliseconds wait_for_outcome{5'000};
        int most_waiting = 24;  // the others are answered at once that their step waits
    };

    // Both must outlive it.
    Commands(Pool& pool, OutcomeBell& bell, std::shared_ptr<spdlog::logger> log, Options options);

    // See api::Backend. Throw postgres::Error; where a forward() ends so, the step may have been kept or not.
    [[nodiscard]] api::Answer<api::StepReport> forward(api::Command const& command);
    [[nodiscard]] api::Answer<api::StepReport> report(std::string const& id);

private:
    [[nodiscard]] std::optional<api::StepReport> find(std::string const& id);
    [[nodiscard]] api::StepReport keep(std::string const& id, api::Command const& command,
                                       std::vector<std::pair<std::string, std::string>> const& bodies);
    [[nodiscard]] api::StepReport await(api::StepReport report);

    Pool& pool_;
    OutcomeBell& bell_;
    std::shared_ptr<spdlog::logger> log_;
    Options options_;
    std::mutex mutex_;  // guards waiting_
    int waiting_ = 0;
};

}  // namespace probekeeper::hub

// The daemon at work: lines are polled, readings stored and diagnosed, tickets kept, and the API served.
#pragma once

#include <spdlog/logger.h>

#include <functional>
#include <memory>
#include <vector>

#include "fleet/fleet.h"
#include "fleet/notice.h"

namespace probekeeper::live {

class Live {
public:
    // Opens the store (its lock is the right to run), starts the API, catches up with what is stored and polls.
    // Throws std::runtime_error with a sentence where the store or the address cannot be had.
    // `diagnosed` is called, on the diagnosing thread, at each of its turns, several times a second also where
    // nothing comes: where it is no longer called, the daemon no longer does its work. It must not block.
    Live(fleet::Fleet fleet, std::vector<fleet::NoticeSettings> notices, std::string version,
         std::shared_ptr<spdlog::logger> log, std::function<void()> diagnosed = {});
    // Stops.
    ~Live();
    Live(Live const&) = delete;
    Live& operator=(Live const&) = delete;

    // Takes another configuration without stopping the API. What probes have shown stays with them. Refused,
    // and nothing changed, where store.path or http.listen differ: false, and the log says so.
    bool reload(fleet::Fleet fleet, std::vector<fleet::NoticeSettings> notices);

    // In the order in which data flows: no new request and no new poll, then what has come is diagnosed and
    // written, then the store is closed. A second call does nothing.
    void stop();

    [[nodiscard]] std::uint16_t http_port() const;

private:
    struct Running;
    std::unique_ptr<Running> running_;
};

}  // namespace probekeeper::live

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
    // A store that is damaged is set aside (store/set_aside.h), and a new one begun.
    // `diagnosed` is called, on the diagnosing thread, at each of its turns, several times a second also where
    // nothing comes: where it is no longer called, the daemon no longer does its work. It must not block.
    // `damaged` is called once, on a thread of the daemon's, when the store shows itself to be damaged: call
    // begin_again() then, from the thread that reloads. Until then it goes on as with a full disk. It must not block.
    Live(fleet::Fleet fleet, std::vector<fleet::NoticeSettings> notices, std::string version,
         std::shared_ptr<spdlog::logger> log, std::function<void()> diagnosed = {},
         std::function<void(std::string const& why)> damaged = {});
    // Stops.
    ~Live();
    Live(Live const&) = delete;
    Live& operator=(Live const&) = delete;

    // Takes another configuration without stopping the API. What probes have shown stays with them. Refused,
    // and nothing changed, where store.path or http.listen differ: false, and the log says so.
    bool reload(fleet::Fleet fleet, std::vector<fleet::NoticeSettings> notices);

    // Stops, sets the store aside and starts with a new one. Throws as the constructor does, and is stopped then.
    void begin_again(std::string const& why);

    // In the order in which data flows: no new request and no new poll, then what has come is diagnosed and
    // written, then the store is closed. A second call does nothing.
    void stop();

    [[nodiscard]] std::uint16_t http_port() const;

private:
    struct Running;
    void start(fleet::Fleet fleet, std::vector<fleet::NoticeSettings> notices, std::string const& damage);

    std::string const version_;
    std::shared_ptr<spdlog::logger> log_;
    std::function<void()> diagnosed_;
    std::function<void(std::string const&)> damaged_;
    std::unique_ptr<Running> running_;
};

}  // namespace probekeeper::live

// The daemon at work: lines are polled, readings stored and diagnosed, tickets kept, and the API served.
#pragma once

#include <spdlog/logger.h>

#include <filesystem>
#include <functional>
#include <memory>
#include <optional>
#include <vector>

#include "fleet/fleet.h"
#include "fleet/notice.h"
#include "live/companion.h"
#include "store/store.h"

namespace probekeeper::live {

class Live {
public:
    // What the daemon calls out. None may block.
    struct Calls {
        // In the constructor: the store is open, and the API is about to answer. From here on whoever ends
        // the process without stop() ends it as a crash does.
        std::function<void()> serving = [] {};
        // On the diagnosing thread, at each of its turns, several times a second also where nothing comes:
        // where it is no longer called, the daemon no longer does its work.
        std::function<void()> diagnosed = [] {};
        // Once, on a thread of the daemon's, when the store shows itself to be damaged: call begin_again()
        // then, from the thread that reloads. Until then it goes on as with a full disk.
        std::function<void(std::string const& why)> damaged = [](std::string const& /*why*/) {};
        // Once, on a thread of the daemon's, when the store can be opened that could not: call take_store()
        // then.
        std::function<void()> store_is_back = [] {};
        // Makes who works beside each configuration; may give none, and be empty.
        MakeCompanion companion{};
    };

    // Opens the store (its lock is the right to run), starts the API, catches up with what is stored and
    // polls. Throws std::runtime_error with a sentence where the store or the address cannot be had. A store
    // that is damaged is set aside (store/set_aside.h), and a new one begun. Where its disk cannot be written
    // just now another stands in for it (store/stand_in.h): commands are refused meanwhile.
    Live(fleet::Fleet fleet, std::vector<fleet::NoticeSettings> notices, std::string version,
         std::shared_ptr<spdlog::logger> log, Calls calls);
    // Stops.
    ~Live();
    Live(Live const&) = delete;
    Live& operator=(Live const&) = delete;

    // Takes another configuration without stopping the API. What probes have shown stays with them. Refused,
    // and nothing changed, where store.path or http.listen differ: false, and the log says so.
    bool reload(fleet::Fleet fleet, std::vector<fleet::NoticeSettings> notices);

    // Stops, sets the store aside and starts with a new one. Throws as the constructor does, and is stopped
    // then.
    void begin_again(std::string const& why);

    // Stops, brings what came meanwhile to the store, and starts with that. Throws likewise.
    void take_store();

    // In the order in which data flows: no new request and no new poll, then what has come is diagnosed and
    // written, then the store is closed. A second call does nothing.
    void stop();

private:
    struct Running;
    struct Opened;
    void start(fleet::Fleet fleet, std::vector<fleet::NoticeSettings> notices, std::string const& damage);
    void start_again(std::string const& damage);
    void stop_all();
    [[nodiscard]] Opened open_store(fleet::StoreSettings const& settings, std::string const& damage);
    void bring_home(store::Store& store);

    std::string const version_;
    std::shared_ptr<spdlog::logger> log_;
    Calls calls_;
    std::optional<std::filesystem::path>
        stand_in_;                 // where one lies, in use or with what is to be brought home
    std::int64_t last_event_ = 0;  // told by a run before
    std::unique_ptr<Running> running_;
};

}  // namespace probekeeper::live

// Who is told what, while one configuration is at work: makes the messages, and has them sent.
#pragma once

#include <spdlog/logger.h>

#include <filesystem>
#include <map>
#include <memory>
#include <mutex>
#include <string>
#include <vector>

#include "fleet/fleet.h"
#include "live/board.h"
#include "live/companion.h"
#include "live/stamp_clock.h"
#include "notify/mqtt.h"
#include "notify/outages.h"
#include "notify/sender.h"
#include "store/writer.h"

namespace probekeeper::live {

class Notices {
public:
    // `writer` and `clock` must outlive it. Begins to send what waits in the store. Throws std::runtime_error
    // with a sentence where a secret cannot be read.
    Notices(std::shared_ptr<fleet::Fleet const> fleet, std::vector<fleet::NoticeSettings> receivers,
            store::Writer& writer, std::filesystem::path const& store, StampClock const& clock,
            std::shared_ptr<spdlog::logger> log);

    // The rest but wake() is for the keeper's thread.

    // What was said about this ticket so far is in the store.
    void knows(service::Ticket const& ticket);
    // The messages about what is new in a ticket since the last call. To be committed together with it; where
    // that fails, knows() with the ticket as it was.
    [[nodiscard]] std::vector<store::Notice> about(service::Ticket const& ticket);
    // The condition of a probe as it stands.
    void show_condition(fleet::ProbeIndex probe, diagnosis::Condition condition, Timestamp at);
    // The messages about lines and sites that fell silent or answer again. To be called about twice a second.
    [[nodiscard]] std::vector<store::Notice> about_outages(Board const& board);

    // New messages are in the store.
    void wake();

private:
    void start(fleet::NoticeSettings const& settings, store::Writer& writer,
               std::filesystem::path const& store);

    std::shared_ptr<fleet::Fleet const> fleet_;
    std::vector<fleet::NoticeSettings> receivers_;
    StampClock const& clock_;
    std::shared_ptr<spdlog::logger> log_;
    Timestamp begun_;
    std::map<std::string, std::size_t> told_;                 // entries of each ticket's history
    std::vector<std::optional<diagnosis::Condition>> shown_;  // of each probe
    notify::Outages outages_;
    std::vector<notify::Mqtt*> brokers_;  // owned by their senders
    std::vector<std::unique_ptr<notify::Sender>> senders_;
};

// Wakes whoever is at work, from the store's thread.
class Doorbell {
public:
    void connect(std::shared_ptr<Notices> notices, std::shared_ptr<Companion> companion);  // null: nobody
    void ring();

private:
    std::mutex mutex_;
    std::shared_ptr<Notices> notices_;
    std::shared_ptr<Companion> companion_;
};

}  // namespace probekeeper::live

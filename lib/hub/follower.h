// Follows what sites tell as it comes: events go to those who listen at this hub, outcomes wake those who
// wait for them. On a thread and a connection of its own, which it makes again whenever it is lost.
#pragma once

#include <spdlog/logger.h>

#include <atomic>
#include <memory>
#include <thread>
#include <vector>

#include "api/events.h"
#include "hub/commands.h"
#include "postgres/connection.h"

namespace probekeeper::hub {

// The number of an event at every hub: that of the transaction that told it, and its place within. Numbers
// grow in the order in which hubs tell events, which is not that in which sites told them.
inline constexpr std::int64_t events_a_transaction = 4096;

// All events of transactions before this have a number up to this.
[[nodiscard]] std::int64_t last_event_now(postgres::Connection& connection);
// At most `most`, behind the number `after`. None of a transaction that may still be joined by one before it.
[[nodiscard]] std::vector<api::Event> events_after(postgres::Connection& connection, std::int64_t after,
                                                   std::size_t most);

class Follower {
public:
    // `events` knows all up to its last(). `options.interrupt` must be set, and ends it. All must outlive it.
    Follower(postgres::Options options, api::EventHub& events, OutcomeBell& bell,
             std::shared_ptr<spdlog::logger> log);
    ~Follower();  // after the interrupt
    Follower(Follower const&) = delete;
    Follower& operator=(Follower const&) = delete;

    [[nodiscard]] bool connected() const { return connected_; }

private:
    void follow();
    void follow_with(postgres::Connection& connection);
    void take_events(postgres::Connection& connection);
    void forget_old(postgres::Connection& connection);

    postgres::Options options_;
    api::EventHub& events_;
    OutcomeBell& bell_;
    std::shared_ptr<spdlog::logger> log_;
    std::atomic<bool> connected_{false};
    std::chrono::steady_clock::time_point forgot_{};
    std::thread thread_;  // last: it starts when all of the above is there
};

}  // namespace probekeeper::hub

// Takes messages out of the store to their receivers, each on a thread of its own, so that one that is slow
// or gone keeps no other waiting.
//
// At least once: a message is done when its receiver has taken it and the store knows; a crash in between
// sends it again, under the same id. A receiver that is not there is asked again after 1 s, then 2 s, up to 5
// minutes; its messages keep their order. A message that it refuses is tried again every hour for a day, and
// does not hold up the others; then it is given up, which is an error in the log.
#pragma once

#include <spdlog/logger.h>

#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "fleet/fleet.h"
#include "notify/transport.h"
#include "store/reader.h"
#include "store/writer.h"

namespace probekeeper::notify {

// One receiver's thread.
class Sender {
public:
    struct Options {
        std::chrono::milliseconds first_pause{1000}, longest_pause{300'000};
        std::chrono::milliseconds after_refusal{3'600'000};
        int refusals_most = 24;
    };
    using Clock = std::function<Timestamp()>;  // called from any thread

    // `writer` must outlive the sender.
    Sender(std::string receiver, std::unique_ptr<Transport> transport, store::Writer& writer,
           store::Reader reader, Clock clock, std::shared_ptr<spdlog::logger> log, Options options);
    Sender(std::string receiver, std::unique_ptr<Transport> transport, store::Writer& writer,
           store::Reader reader, Clock clock, std::shared_ptr<spdlog::logger> log)
        : Sender{std::move(receiver), std::move(transport), writer,   std::move(reader),
                 std::move(clock),    std::move(log),       Options{}} {}
    // Lets the message under way end or be broken off; what was not taken waits in the store.
    ~Sender();
    Sender(Sender&&) = delete;

    // There may be something new in the store. From any thread, and never waits.
    void wake();

private:
    struct Running;
    std::unique_ptr<Running> running_;
};

}  // namespace probekeeper::notify

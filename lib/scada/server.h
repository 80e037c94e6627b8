// The Modbus TCP server that a SCADA system polls. It answers; all that can be written through it is that an
// operator has seen a ticket, where that is allowed.
//
// One thread of its own serves all connections, so a client that sends slowly, or reads nothing, waits alone.
// The registers are made when somebody asks for them and they are older than Options::fresh; while nobody
// asks, nothing is done. Few requests are answered as they come; where there are many, a connection is looked
// at every Options::beat, so that one wake-up of the thread serves several of them.
#pragma once

#include <spdlog/logger.h>

#include <chrono>
#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "scada/layout.h"

namespace probekeeper::scada {

struct Options {
    std::string address = "127.0.0.1";  // an IP address
    std::uint16_t port = 0;             // 0: any free one
    std::size_t connections = 64;       // one more is closed at once
    std::chrono::milliseconds frame{
        10'000};  // from the first byte of a request to its last, and to take the answer
    std::chrono::milliseconds idle{300'000};  // between two requests
    std::chrono::milliseconds fresh{100};     // age of an answer at most
    std::size_t many = 2000;                  // requests a second, of all connections together
    std::chrono::milliseconds beat{1};  // from a request to the next of a connection where there are many
};

// What is served just now.
struct Feed {
    // Called on the server's thread; must not block. Empty: nothing is known just now. The registers then
    // stay, and so does the heartbeat, which otherwise counts on once a second.
    std::function<std::optional<EstateNow>()> source;
    // Marks the ticket of that probe number as seen; gives why not. Called on a thread beside, where it may
    // block. Empty: nothing can be written.
    std::function<std::optional<Exception>(std::int64_t)> see;
    // Networks ("10.1.0.0/16") or addresses that may connect, beside this machine's own loopback.
    std::vector<std::string> allow_from;
};

class Server {
public:
    // Listens when it returns, and serves from then on. Throws std::runtime_error with a sentence where the
    // address cannot be had.
    Server(Options options, Feed feed, std::shared_ptr<spdlog::logger> log);
    // Closes every connection.
    ~Server();
    Server(Server const&) = delete;
    Server& operator=(Server const&) = delete;

    // Serves something else from now on. Connections stay, but for those that may no longer be. When it
    // returns, nothing of the feed before is called any more.
    void use(Feed feed);

    [[nodiscard]] std::uint16_t port() const;

private:
    struct Running;
    std::unique_ptr<Running> running_;
};

}  // namespace probekeeper::scada

// The Modbus TCP server that a SCADA system polls. It only answers; nothing can be written through it.
//
// One thread of its own serves all connections and makes the registers anew several times a second, so a
// client that sends slowly, or reads nothing, waits alone.
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
    // Networks ("10.1.0.0/16") or addresses that may connect, beside this machine's own loopback.
    std::vector<std::string> allow_from;
    std::size_t connections = 64;  // one more is closed at once
    std::chrono::milliseconds frame{
        10'000};  // from the first byte of a request to its last, and to take the answer
    std::chrono::milliseconds idle{300'000};  // between two requests
    std::chrono::milliseconds refresh{250};   // age of the registers at most
};

class Server {
public:
    // Called on the server's thread, `refresh` apart; must not block. Empty: nothing is known just now. The
    // registers then stay, and so does the heartbeat, which otherwise counts on once a second.
    using Source = std::function<std::optional<EstateNow>()>;

    // Listens when it returns, and serves from then on. Throws std::runtime_error with a sentence where the
    // address cannot be had.
    Server(Options options, Source source, std::shared_ptr<spdlog::logger> log);
    // Closes every connection.
    ~Server();
    Server(Server const&) = delete;
    Server& operator=(Server const&) = delete;

    [[nodiscard]] std::uint16_t port() const;

private:
    struct Running;
    std::unique_ptr<Running> running_;
};

}  // namespace probekeeper::scada

// The HTTP API: HTTP/1.1 over TCP, JSON, read and commanded through a Backend.
//
// One thread of the server's own serves all connections; what may block in the backend runs on a small pool
// beside it. A connection has one request under way at a time; pipelined ones wait their turn, in order.
#pragma once

#include <spdlog/logger.h>

#include <chrono>
#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "access/tokens.h"
#include "api/backend.h"
#include "base/time.h"

namespace probekeeper::api {

// What one client may use up. Beyond it: 431, 413, 400, 503, or the connection ends (408 where a request had
// begun).
struct Limits {
    std::size_t header_bytes = 16 * 1024;  // of request line and header together
    std::size_t body_bytes = 1024 * 1024;
    std::size_t json_depth = 32;
    std::size_t connections = 512;
    std::size_t backend_threads = 4;
    double requests_per_s = 200.0;             // of one token, or of one address where none is needed
    double requests_at_once = 1000.0;          // beyond that rate; then 429
    std::uint64_t upload_bytes = 1ULL << 30U;  // of a body that goes to a file
    std::chrono::milliseconds upload{3'600'000};
    std::chrono::milliseconds heartbeat{15'000};  // of an event stream that has nothing to say
    std::chrono::milliseconds idle{60'000};       // between two requests of a connection
    std::chrono::milliseconds header{10'000};     // from the first byte to the end of the header
    std::chrono::milliseconds body{30'000};
    std::chrono::milliseconds write{30'000};
    std::chrono::milliseconds stop_within{10'000};  // for requests that are under way when the server stops
};

// What may change while the server runs.
struct AccessRules {
    // Origins of web pages that may use the API from a browser ("https://panel.example"), beside its own.
    std::vector<std::string> allow_origins;
    std::vector<std::string> host_names;  // under which the server is known, beside those of loopback
    bool tokens_needed = false;           // false: whoever reaches it may do everything
    std::vector<access::Token> tokens;
    bool behind_proxy = false;  // X-Forwarded-For says who asks
};

// Certificate (its chain behind it) and key, both PEM, for TLS 1.2 and newer. Throws std::runtime_error with
// a sentence where they cannot be read or do not belong together.
class Tls;
[[nodiscard]] std::shared_ptr<Tls> load_tls(std::filesystem::path const& certificate,
                                            std::filesystem::path const& key);

struct Options {
    std::string address = "127.0.0.1";  // an IP address
    std::uint16_t port = 0;             // 0: any free one
    AccessRules access;
    std::shared_ptr<Tls> tls;            // null: plain HTTP
    std::filesystem::path spool_folder;  // for uploads; empty: the system's for temporary files
    Limits limits;
    bool serves_at_once = true;      // false: whoever connects waits for serve()
    std::function<Timestamp()> now;  // for Date and a record's default time; empty: the system clock
};

class Server {
public:
    // Listens when it returns, and serves from then on or from serve() on. `backend` must outlive it. Throws
    // std::runtime_error with a sentence where the address cannot be had.
    Server(Options options, Backend& backend, std::shared_ptr<spdlog::logger> log);
    // Stops.
    ~Server();
    Server(Server const&) = delete;
    Server& operator=(Server const&) = delete;

    [[nodiscard]] std::uint16_t port() const;

    // Once, where it does not serve at once.
    void serve();

    // For requests from now on. Any thread may call these.
    void set_access(AccessRules rules);
    void set_tls(
        std::shared_ptr<Tls> tls);  // for connections from now on; ignored where the server began without

    // Stops accepting, closes idle connections, lets requests under way finish and be answered, for
    // `stop_within` at most; then closes what is left. Blocks until all that has happened, and as long as a
    // backend call under way takes. Any thread but the backend's callers may call it; a second call does
    // nothing.
    void stop();

private:
    struct Running;
    std::unique_ptr<Running> running_;
};

}  // namespace probekeeper::api

// From a request to its response, without a socket: admission by the header, then the answer.
#pragma once

#include <spdlog/logger.h>

#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <variant>

#include "api/gate.h"
#include "api/once.h"
#include "api/routes.h"
#include "api/target.h"

namespace probekeeper::api {

// What counts of a request's header.
struct Head {
    std::string method, target;
    std::vector<std::string> hosts;  // as many as came
    bool may_omit_host = false;      // HTTP/1.0
    std::optional<std::string> origin, content_type, content_encoding, if_none_match, idempotency_key;
    bool asks_cors = false;  // has Access-Control-Request-Method
};

// A request that may be answered once its body is there.
struct Admitted {
    Route const* route = nullptr;
    std::vector<std::string> ids;
    std::vector<std::pair<std::string, std::string>> parameters;
    std::string path;
};

// Safe to use from several threads.
class Dispatcher {
public:
    Dispatcher(Gate gate, std::size_t json_depth, std::function<Timestamp()> now, Backend& backend,
               std::shared_ptr<spdlog::logger> log);

    // Refuses early what its body cannot save, so that nobody sends a megabyte for nothing.
    [[nodiscard]] std::variant<Admitted, Response> admit(Head const& head) const;
    // Calls the handler, which may block as its route says. Never throws.
    [[nodiscard]] Response answer(Admitted const& request, Head const& head, std::string const& body);
    // Adds what every response has: tags, CORS, rules for browsers and caches; turns 200 into 304 where it is
    // known.
    void finish(Response& response, Head const& head) const;

private:
    void check_host(Head const& head, std::string const& host) const;
    void check_command(Head const& head, std::string const& host) const;
    [[nodiscard]] Response options(Head const& head, Match const& match) const;
    [[nodiscard]] Response handle(Admitted const& request, Head const& head, std::string const& body);

    Gate gate_;
    std::size_t json_depth_;
    std::function<Timestamp()> now_;
    Backend& backend_;
    std::shared_ptr<spdlog::logger> log_;
    OnceKeeper once_;
};

}  // namespace probekeeper::api

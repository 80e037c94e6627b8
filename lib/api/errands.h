// Commands that come by another way than a connection: the steps that people took at a hub. They go through
// the same dispatcher as any other request, and so by the same rules.
#pragma once

#include <spdlog/logger.h>

#include <functional>
#include <memory>
#include <string>

#include "api/backend.h"
#include "api/call.h"
#include "api/response.h"

namespace probekeeper::api {

struct Errand {
    std::string method, target;  // as of a request's first line
    std::string content_type, body;
    std::string key;  // as an Idempotency-Key: with the caller's name it names the errand for good
    Caller caller;
};

class Errands {
public:
    // `backend` must outlive it.
    Errands(std::function<Timestamp()> now, Backend& backend, std::shared_ptr<spdlog::logger> log);
    ~Errands();

    // Runs it, and waits for as long as a command does. What is no command, or takes a file, is refused.
    // Never throws.
    [[nodiscard]] Response run(Errand const& errand);

private:
    struct Running;
    std::unique_ptr<Running> running_;
};

}  // namespace probekeeper::api

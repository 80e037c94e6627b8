// Idempotency-Key: the same request sent twice is done once.
#pragma once

#include <array>
#include <functional>
#include <mutex>

#include "api/call.h"

namespace probekeeper::api {

class OnceKeeper {
public:
    // Answers as the first request with this key and path was answered, or lets `handle` do the work. Only
    // what changed something is kept: a request that was refused may be tried again. Throws Problem
    // (key_reused) where the body is another one. Blocks while a request with the same key is under way, so
    // that two at once do not both find nothing.
    Response answer(Once const& once, Backend& backend, std::function<Response()> const& handle);

private:
    std::array<std::mutex, 64> locks_;  // by hash of path and key
};

// Whether it was answered before, so that nothing was done now.
[[nodiscard]] bool is_replayed(Response const& response);
void mark_replayed(Response& response);

// What a request is told whose key came with another body before.
[[nodiscard]] Problem key_reused();

// Throws Problem where `key` is not 1 to 255 printable ASCII characters.
void check_key(std::string_view key);

}  // namespace probekeeper::api

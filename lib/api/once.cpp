#include "api/once.h"

#include <algorithm>

namespace probekeeper::api {
namespace {

constexpr std::string_view replayed = "Idempotency-Replayed";

}  // namespace

bool is_replayed(Response const& response) {
    return std::any_of(response.headers.begin(), response.headers.end(),
                       [](auto const& header) { return header.first == replayed; });
}

void mark_replayed(Response& response) {
    response.headers.emplace_back(replayed, "true");
}

Problem key_reused() {
    return {ProblemType::key_reused,
            "this Idempotency-Key came with another body before; give each new request a key of its own",
            {{"field", "Idempotency-Key"}},
            {}};
}

void check_key(std::string_view key) {
    constexpr std::size_t longest = 255;
    bool const plain = std::all_of(key.begin(), key.end(), [](char c) { return c > ' ' && c < '\x7F'; });
    if (key.empty() || key.size() > longest || !plain) {
        throw Problem{ProblemType::malformed_request,
                      "Idempotency-Key must be 1 to 255 printable ASCII characters without blanks",
                      {{"field", "Idempotency-Key"}},
                      {}};
    }
}

Response OnceKeeper::answer(Once const& once, Backend& backend, std::function<Response()> const& handle) {
    auto const place =
        std::hash<std::string>{}(once.token + '\n' + once.path + '\n' + once.key) % locks_.size();
    std::unique_lock lock{locks_[place], std::defer_lock};
    if (!backend.is_hub()) {  // a hub's database does it, for the other hubs too
        lock.lock();
    }
    auto const kept = backend.kept_answer(once.token, once.path, once.key);
    if (!kept) {
        throw problem_of(kept.error(), /*of_body=*/true);
    }
    if (!kept->has_value()) {
        return handle();
    }
    auto const& first = kept->value();
    if (first.body_hash != once.body_hash) {
        throw key_reused();
    }
    Response response{first.status, "application/json", first.body, {}};
    mark_replayed(response);
    return response;
}

}  // namespace probekeeper::api

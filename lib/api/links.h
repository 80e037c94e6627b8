// Addresses that work without a token, for what cannot send one: a browser's EventSource and images.
#pragma once

#include <mutex>
#include <optional>
#include <string>
#include <unordered_map>
#include <utility>
#include <vector>

#include "api/call.h"
#include "api/target.h"

namespace probekeeper::api {

// In memory only: a restart ends all links, which live a minute anyway. Safe to use from several threads.
class Links {
public:
    static constexpr Millis good_for{60'000};

    struct Made {
        std::string path;  // with the link in it
        Timestamp expires_at;
    };
    // For GETs of exactly that path and its parameters, as `caller` would see them, and read-only.
    [[nodiscard]] Made make(Caller const& caller, std::string const& path, Timestamp now);
    // Takes the parameter `link` out of `target` and says whose it is; empty where there is none, it has
    // expired, or is of another path.
    [[nodiscard]] std::optional<Caller> open(Target& target, Timestamp now);

private:
    struct Link {
        Caller caller;
        Target target;
        Timestamp expires_at;
    };
    static constexpr std::size_t links_most = 10'000;

    std::mutex mutex_;
    std::unordered_map<std::string, Link> links_;  // by the hash of the secret
};

}  // namespace probekeeper::api

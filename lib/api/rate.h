// How often somebody may ask: a bucket of leave that fills at a steady rate, one for each key.
#pragma once

#include <chrono>
#include <cstddef>
#include <mutex>
#include <optional>
#include <string>
#include <unordered_map>

namespace probekeeper::api {

// Safe to use from several threads. Keys that have been quiet until their bucket is full are forgotten, so
// memory stays with those that ask now; beyond `keys_most` the least recent ones go, which only ever gives
// leave.
class RateLimiter {
public:
    using Time = std::chrono::steady_clock::time_point;
    // `burst` at once, and `per_s` a second after that.
    RateLimiter(double per_s, double burst) : per_s_{per_s}, burst_{burst} {}

    // Takes one leave for `key`. Where there is none: how many whole seconds to wait for it, at least 1.
    [[nodiscard]] std::optional<int> take(std::string const& key, Time now);
    // As take(), and takes nothing.
    [[nodiscard]] std::optional<int> wait(std::string const& key, Time now);

private:
    struct Bucket {
        double left = 0.0;
        Time at;
    };
    static constexpr std::size_t keys_most = 10'000;
    [[nodiscard]] Bucket& filled(std::string const& key, Time now);
    [[nodiscard]] std::optional<int> wait_for(Bucket const& bucket) const;
    void forget_full(Time now);

    double const per_s_, burst_;
    std::mutex mutex_;
    std::unordered_map<std::string, Bucket> buckets_;
};

}  // namespace probekeeper::api

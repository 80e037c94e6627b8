#include "api/rate.h"

#include <algorithm>
#include <cmath>

namespace probekeeper::api {

RateLimiter::Bucket& RateLimiter::filled(std::string const& key, Time now) {
    if (buckets_.size() >= keys_most && !buckets_.contains(key)) {
        forget_full(now);
    }
    auto& bucket = buckets_.try_emplace(key, Bucket{burst_, now}).first->second;
    auto const passed_s = std::chrono::duration<double>(now - bucket.at).count();
    bucket.left = std::min(burst_, bucket.left + std::max(0.0, passed_s) * per_s_);
    bucket.at = std::max(bucket.at, now);
    return bucket;
}

std::optional<int> RateLimiter::wait_for(Bucket const& bucket) const {
    if (bucket.left >= 1.0) {
        return std::nullopt;
    }
    return std::max(1, static_cast<int>(std::ceil((1.0 - bucket.left) / per_s_)));
}

std::optional<int> RateLimiter::take(std::string const& key, Time now) {
    std::scoped_lock const lock{mutex_};
    auto& bucket = filled(key, now);
    auto const wait = wait_for(bucket);
    if (!wait) {
        bucket.left -= 1.0;
    }
    return wait;
}

std::optional<int> RateLimiter::wait(std::string const& key, Time now) {
    std::scoped_lock const lock{mutex_};
    return wait_for(filled(key, now));
}

void RateLimiter::forget_full(Time now) {
    auto const full_after = std::chrono::duration<double>(burst_ / per_s_);
    std::erase_if(buckets_, [&](auto const& one) { return now - one.second.at > full_after; });
    if (buckets_.size() >= keys_most) {
        auto const oldest =
            std::min_element(buckets_.begin(), buckets_.end(),
                             [](auto const& a, auto const& b) { return a.second.at < b.second.at; });
        buckets_.erase(oldest);
    }
}

}  // namespace probekeeper::api

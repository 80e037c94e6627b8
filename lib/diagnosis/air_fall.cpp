#include "diagnosis/air_fall.h"

#include <cmath>
#include <cstdlib>

namespace probekeeper::diagnosis {
namespace {

constexpr double falls_to = 0.93;    // of the flow before, from one reading to the next: less is control
constexpr double nothing = 0.05;     // of the flow before
constexpr double flows_again = 0.1;  // of that flow: less is what was left of it
constexpr double longest_s = 300.0;  // slower, it was a controller's doing
constexpr double longest_gap_s = 90.0;
constexpr std::int64_t near_enough_ms = 60'000;

}  // namespace

void AirFall::take(std::int64_t time_ms, double flow) {
    if (std::isnan(flow)) {
        return;
    }
    double const since_s = static_cast<double>(time_ms - last_ms_) / 1000.0;
    bool const falling = from_ms_ != 0 && !over_;
    if (since_s > longest_gap_s) {
        from_ms_ = 0;
    } else if (falling) {
        given_ += 0.5 * (last_flow_ + flow) * since_s;
        over_ = flow < nothing * before_;
        bool const not_off = flow > before_ || static_cast<double>(time_ms - from_ms_) / 1000.0 > longest_s;
        from_ms_ = not_off && !over_ ? 0 : from_ms_;
    } else if (last_flow_ > flows_again * before_ && flow < falls_to * last_flow_) {
        from_ms_ = last_ms_;
        before_ = last_flow_;
        given_ = 0.5 * (last_flow_ + flow) * since_s;
        over_ = flow < nothing * before_;
    }
    last_ms_ = time_ms;
    last_flow_ = flow;
}

std::optional<std::int64_t> AirFall::stopped_ms(std::int64_t near_ms) const {
    if (from_ms_ == 0 || !over_ || std::abs(from_ms_ - near_ms) > near_enough_ms) {
        return std::nullopt;
    }
    return from_ms_ + static_cast<std::int64_t>(1000.0 * given_ / before_);
}

}  // namespace probekeeper::diagnosis

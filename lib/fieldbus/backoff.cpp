#include "fieldbus/backoff.h"

#include <algorithm>
#include <cmath>

namespace probekeeper::fieldbus {
namespace {

using std::chrono::nanoseconds;

constexpr nanoseconds first_wait = std::chrono::seconds{1};
constexpr nanoseconds longest_wait = std::chrono::seconds{30};
constexpr nanoseconds rarest_try = std::chrono::seconds{60};
constexpr int most_doublings = 16;
constexpr long one_part_in = 33;  // 3 % of the time

}  // namespace

void ConnectBackoff::attempted(SteadyTime now, Jitter const& jitter) {
    auto const wait = std::min(first_wait * (1L << std::min(failures_, most_doublings)), longest_wait);
    ++failures_;
    double const part = 1.0 - 0.5 * jitter();
    next_ = now + nanoseconds{std::llround(static_cast<double>(wait.count()) * part)};
}

void ConnectBackoff::answered() {
    failures_ = 0;
    next_ = {};
}

long slots_to_skip(int silences, nanoseconds poll_interval) {
    if (silences < 2) {
        return 0;
    }
    long const doubled = 1L << std::min(silences - 1, most_doublings);
    long const cap = std::max<long>(1, rarest_try / poll_interval);
    return std::min(doubled, cap) - 1;
}

RetryBudget::RetryBudget(nanoseconds timeout, SteadyTime start) : timeout_{timeout}, zero_at_{start} {}

SteadyTime RetryBudget::affordable_at() const {
    return zero_at_ + timeout_ * one_part_in;
}

void RetryBudget::spend(SteadyTime now, nanoseconds waited) {
    zero_at_ = std::max(zero_at_, now - timeout_ * one_part_in) + waited * one_part_in;
}

}  // namespace probekeeper::fieldbus

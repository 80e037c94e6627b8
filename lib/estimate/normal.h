// The normal distribution. A thin front to Boost.Math, so that its headers stay in this
// room.
#pragma once

namespace probekeeper::estimate {

[[nodiscard]] double normal_cdf(double z);

// The z below which `probability` lies. -inf at 0 and below, +inf at 1 and above.
[[nodiscard]] double normal_quantile(double probability);

}  // namespace probekeeper::estimate

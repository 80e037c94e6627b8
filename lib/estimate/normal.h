// The normal distribution, and Student's t. A thin front to Boost.Math, so that its headers stay in this
// room.
#pragma once

namespace probekeeper::estimate {

[[nodiscard]] double normal_cdf(double z);

// The z below which `probability` lies. -inf at 0 and below, +inf at 1 and above.
[[nodiscard]] double normal_quantile(double probability);

// Likewise for Student's t with `degrees` > 0 of freedom (they need not be whole). NaN where degrees <= 0.
[[nodiscard]] double student_t_quantile(double probability, double degrees);

}  // namespace probekeeper::estimate

#include "estimate/proportion.h"

#include <boost/math/distributions/beta.hpp>
#include <cassert>

namespace probekeeper::estimate {

ShareInterval share_interval(std::int64_t hits, std::int64_t trials, double level) {
    assert(hits >= 0 && hits <= trials);
    if (trials == 0) {
        return {};
    }
    auto const yes = static_cast<double>(hits);
    auto const no = static_cast<double>(trials - hits);
    boost::math::beta_distribution<double> const belief{yes + 0.5, no + 0.5};
    double const tail = (1.0 - level) / 2.0;
    return {hits == 0 ? 0.0 : quantile(belief, tail),
            hits == trials ? 1.0 : quantile(complement(belief, tail))};
}

}  // namespace probekeeper::estimate

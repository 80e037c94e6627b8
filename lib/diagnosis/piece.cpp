#include "diagnosis/piece.h"

#include <algorithm>
#include <limits>

#include "estimate/robust.h"

namespace probekeeper::diagnosis {
namespace {

template <typename Act>
void for_before(Samples const& samples, std::int64_t time_ms, double span_s, Act act) {
    for (std::size_t i = 0; i < samples.size(); ++i) {
        auto const& s = samples.from_back(i);
        if (s.time_ms < time_ms - as_ms(span_s)) {
            break;
        }
        if (s.time_ms <= time_ms) {
            act(s);
        }
    }
}

}  // namespace

Piece cut(Samples const& samples, std::int64_t from_ms, std::int64_t zero_ms, std::int64_t to_ms) {
    Piece piece;
    for (std::size_t i = 0; i < samples.size(); ++i) {
        auto const& s = samples[i];
        if (s.time_ms >= from_ms && s.time_ms <= to_ms) {
            piece.points[piece.count++] = {s_between(zero_ms, s.time_ms), static_cast<double>(s.value)};
        }
    }
    return piece;
}

double median_before(Samples const& samples, std::int64_t time_ms, double span_s) {
    std::array<double, Samples::capacity()> kept;  // not cleared: that took a tenth of a replay
    std::size_t n = 0;
    for_before(samples, time_ms, span_s, [&](Sample const& s) { kept[n++] = static_cast<double>(s.value); });
    return n == 0 ? std::numeric_limits<double>::quiet_NaN()
                  : estimate::median_inplace(std::span{kept.data(), n});
}

double least_before(Samples const& samples, std::int64_t time_ms, double span_s) {
    double least = std::numeric_limits<double>::infinity();
    for_before(samples, time_ms, span_s,
               [&](Sample const& s) { least = std::min(least, static_cast<double>(s.value)); });
    return least;
}

}  // namespace probekeeper::diagnosis

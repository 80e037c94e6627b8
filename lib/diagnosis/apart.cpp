#include "diagnosis/apart.h"

#include <algorithm>
#include <cmath>

namespace probekeeper::diagnosis {
namespace {

constexpr std::int64_t hour_ms = 3'600'000;
// A new membrane has come to rest by then, and who set it has gone.
constexpr std::int64_t rests_after_ms = 2 * hour_ms;
// Later than this a neighbour may have drifted away instead.
constexpr std::int64_t judged_within_ms = 72 * hour_ms;
constexpr std::uint32_t an_hour = 12, a_day = 24 * an_hour;  // weighings
// Sun and load move places apart for some hours at a time. A guess.
constexpr double as_one_hours = 6.0;
// Two sound probes in one water differ by less. A guess.
constexpr double agrees = 0.05;
// An edge that one shows before the other counts as no more than this.
constexpr double most_off = 0.4;
constexpr double least_error = 0.02;

}  // namespace

void ApartWatch::begin(std::int64_t at_ms) {
    begun_ms_ = at_ms;
    level_ = spread_ = 0.0F;
    count_ = 0;
}

void ApartWatch::set_anew(std::int64_t at_ms, bool membrane) {
    // The calibration after a change of the membrane, and a record of what readings had shown, are one visit.
    constexpr std::int64_t visit_ms = 24 * hour_ms;
    bool const same_visit = agreed_ && at_ms - set_ms_ < visit_ms;
    bool const agreed = count_ >= a_day && std::abs(static_cast<double>(level_)) < agrees;
    agreed_ = same_visit || (membrane && !agreed_ && agreed);
    set_ms_ = at_ms;
    begin(at_ms);
}

void ApartWatch::take(std::int64_t now_ms, double ln_ratio, std::int64_t theirs_set_ms) {
    if (theirs_set_ms > begun_ms_) {
        begin(theirs_set_ms);
        agreed_ = false;
    }
    if (now_ms - begun_ms_ < rests_after_ms) {
        return;
    }
    bool const told = count_ >= a_day;
    if (agreed_ && told && std::abs(static_cast<double>(level_)) > agrees) {
        return;  // it stays as it was left
    }
    agreed_ = agreed_ && !told && now_ms - begun_ms_ <= judged_within_ms;
    count_ = std::min(count_ + 1, a_day);
    double const gain = 1.0 / count_;
    double const off = std::clamp(ln_ratio, -most_off, most_off) - static_cast<double>(level_);
    level_ += static_cast<float>(gain * off);
    spread_ += static_cast<float>(gain * (std::abs(off) - static_cast<double>(spread_)));
}

std::optional<ApartWatch::Apart> ApartWatch::since_service() const {
    if (!agreed_ || count_ < a_day) {
        return std::nullopt;
    }
    return Apart{std::expm1(static_cast<double>(level_)),
                 std::max(least_error, static_cast<double>(spread_) * std::sqrt(as_one_hours / 24.0))};
}

}  // namespace probekeeper::diagnosis

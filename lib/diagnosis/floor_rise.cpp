#include "diagnosis/floor_rise.h"

#include <algorithm>
#include <cmath>

#include "diagnosis/piece.h"

namespace probekeeper::diagnosis {
namespace {

// At rest for so long. A guess.
constexpr double floor_lasts_s = 180.0;
// Water that is driven has gone its way by then; and of readings before the rise, so many seconds are of use.
constexpr double rise_lasts_s = 420.0;
constexpr double before_rise_s = 200.0;

}  // namespace

void FloorRise::take(View const& view, ProbeKnown const& known, std::int64_t last_ms) {
    if (left_ms_ != 0) {
        return;
    }
    double const tolerance = std::max({0.03, 3.0 * known.noise, 1.2 * known.resolution});
    double const off = view.value - level_;
    bool const low = view.value < floor_part * view.saturation;
    if (since_ms_ != 0 && low && std::abs(off) <= tolerance) {
        level_ += 0.1 * off;
        return;
    }
    bool const rested = since_ms_ != 0 && last_ms - since_ms_ > as_ms(floor_lasts_s);
    if (rested && off > tolerance) {
        left_ms_ = last_ms;
        deadline_ms_ = last_ms + as_ms(rise_lasts_s);
        saturation_ = view.saturation;
    } else {
        drop();
        since_ms_ = low ? view.time_ms : 0;
        level_ = view.value;
    }
}

std::optional<Candidate> FloorRise::finish(View const& view, Samples const& samples) {
    if (left_ms_ == 0 || view.time_ms < deadline_ms_) {
        return std::nullopt;
    }
    auto const piece = cut(samples, left_ms_ - as_ms(before_rise_s), left_ms_, view.time_ms);
    Candidate candidate;
    candidate.time = from_unix_ms(left_ms_);
    candidate.source = TestSource::aeration_on;
    candidate.fit = fit_found_rise(piece.span(), saturation_);
    candidate.temperature_c = view.temperature_c;
    drop();
    // Low water stirs for many reasons: what is no rise is no test.
    return candidate.fit.onset_found ? std::optional{candidate} : std::nullopt;
}

}  // namespace probekeeper::diagnosis

#include "diagnosis/span.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <span>

#include "estimate/robust.h"

namespace probekeeper::diagnosis {
namespace {

constexpr std::int64_t visit_ms = 3 * 3'600'000;
constexpr std::int64_t newest_ms = 10LL * 86'400'000;
// A blast is air in water, not a probe held in air: pressure at depth and wet bubbles leave this much open.
constexpr double blast_error = 1.5;

}  // namespace

void SpanWatch::exposure(std::int64_t time_ms, double percent, double error) {
    exposures_.push({time_ms, static_cast<float>(percent), static_cast<float>(error)});
}

void SpanWatch::handled(Handling const& handling) {
    auto const at = to_unix_ms(handling.time);
    if (handling.act == Act::membrane_change || handling.act == Act::probe_swap) {
        // What the old membrane read in air says nothing of the new one.
        exposures_.clear();
        reference_ = {};
        membrane_ms_ = at;
        air_ms_ = air_ms_ > at - visit_ms ? 0 : air_ms_;
    }
    if (handling.act == Act::air_calibration) {
        exposures_.clear();
        reference_ = {};
        calibrated_ms_ = at;
        air_ms_ = 0;
    } else if (handling.air_percent && at - membrane_ms_ > visit_ms) {
        air_ms_ = at;
        air_percent_ = *handling.air_percent;
    }
    if (handling.probe_mg_l && handling.reference_mg_l) {
        reference_ = {*handling.probe_mg_l, *handling.reference_mg_l, false, at};
    }
}

std::optional<SpanKnown> SpanWatch::known(double pressure_error) const {
    if (air_ms_ != 0) {
        return SpanKnown{air_percent_, 1.0, SpanSource::air_calibration, air_ms_, 0};
    }
    std::array<double, 24> kept{};
    std::size_t n = 0;
    double error = 0.0;
    for (std::size_t i = 0; i < exposures_.size(); ++i) {
        auto const& e = exposures_.from_back(i);
        if (e.time_ms < exposures_.back().time_ms - newest_ms || n == 9) {
            break;
        }
        kept[n++] = static_cast<double>(e.percent);
        error += static_cast<double>(e.error);
    }
    if (n >= 3) {
        double const mean_error = error / static_cast<double>(n);
        double const middle = estimate::median_inplace(std::span{kept.data(), n});
        double const of_median = std::max(mean_error, 0.5) / std::sqrt(static_cast<double>(n));
        return SpanKnown{middle, std::hypot(blast_error, std::hypot(of_median, pressure_error)),
                         SpanSource::air_exposure, exposures_.back().time_ms, n};
    }
    if (calibrated_ms_ != 0) {
        return SpanKnown{100.0, 1.0, SpanSource::air_calibration, calibrated_ms_, 0};
    }
    return std::nullopt;
}

std::optional<ReferenceKnown> SpanWatch::reference() const {
    return reference_.at_ms != 0 ? std::optional{reference_} : std::nullopt;
}

}  // namespace probekeeper::diagnosis

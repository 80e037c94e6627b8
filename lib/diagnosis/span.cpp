#include "diagnosis/span.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <span>

#include "estimate/robust.h"

namespace probekeeper::diagnosis {
namespace {

constexpr std::int64_t visit_ms = 3 * 3'600'000;
// How long after a change of the membrane its level in air is a matter of that work.
constexpr std::int64_t new_ms = 7LL * 86'400'000;
constexpr std::int64_t newest_ms = 10LL * 86'400'000;
// A blast is air in water, not a probe held in air: pressure at depth and wet bubbles leave this much open.
constexpr double blast_error = 1.5;
// What a change of the level since the first exposures may owe to other causes than the span. A guess.
constexpr double change_error = 1.0;
constexpr std::size_t first_exposures = 8;

}  // namespace

void SpanWatch::exposure(std::int64_t time_ms, double percent, double error) {
    exposures_.push({time_ms, static_cast<float>(percent), static_cast<float>(error)});
    if (++seen_ == first_exposures) {
        auto const level = newest_level();
        first_percent_ = level.percent;
        first_error_ = std::hypot(blast_error, level.mean_error);
    }
}

void SpanWatch::begin_anew() {
    exposures_.clear();
    seen_ = 0;
    first_percent_ = first_error_ = 0.0;
}

void SpanWatch::handled(Handling const& handling) {
    auto const at = to_unix_ms(handling.time);
    if (handling.act == Act::membrane_change || handling.act == Act::probe_swap) {
        // What the old membrane read in air says nothing of the new one.
        begin_anew();
        reference_ = {};
        membrane_ms_ = at;
        air_ms_ = air_ms_ > at - visit_ms ? 0 : air_ms_;
    }
    if (handling.act == Act::air_calibration) {
        begin_anew();
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

SpanWatch::Level SpanWatch::newest_level() const {
    std::array<double, 24> kept{};
    Level level;
    for (std::size_t i = 0; i < exposures_.size(); ++i) {
        auto const& e = exposures_.from_back(i);
        if (e.time_ms < exposures_.back().time_ms - newest_ms || level.count == 9) {
            break;
        }
        kept[level.count++] = static_cast<double>(e.percent);
        level.mean_error += static_cast<double>(e.error);
    }
    if (level.count == 0) {
        return level;
    }
    std::span const values{kept.data(), level.count};
    level.mean_error /= static_cast<double>(level.count);
    level.percent = estimate::median_inplace(values);
    double const scatter = std::max(0.5, estimate::mad_sigma_inplace(values));
    level.error =
        1.2533 * scatter / std::sqrt(static_cast<double>(level.count));  // of a median of normal values
    return level;
}

std::optional<SpanKnown> SpanWatch::known(double pressure_error) const {
    if (air_ms_ != 0) {
        return SpanKnown{air_percent_, 1.0, SpanSource::air_calibration, air_ms_, 0};
    }
    auto const level = newest_level();
    if (level.count >= 3) {
        bool const compared = first_percent_ > 0.0 && std::abs(first_percent_ - 100.0) < 2.0 * first_error_;
        double const own_error = compared ? std::hypot(change_error, 0.2 * level.mean_error)
                                          : std::hypot(blast_error, level.mean_error);
        double const percent = compared ? 100.0 + level.percent - first_percent_ : level.percent;
        return SpanKnown{percent, std::hypot(own_error, std::hypot(level.error, pressure_error)),
                         SpanSource::air_exposure, exposures_.back().time_ms, level.count};
    }
    if (calibrated_ms_ != 0) {
        return SpanKnown{100.0, 1.0, SpanSource::air_calibration, calibrated_ms_, 0};
    }
    return std::nullopt;
}

std::optional<SpanKnown> SpanWatch::after_service(std::int64_t now_ms, double pressure_error) const {
    auto const level = newest_level();
    if (membrane_ms_ == 0 || now_ms - membrane_ms_ > new_ms || level.count < 3) {
        return std::nullopt;
    }
    double const error =
        std::hypot(std::hypot(blast_error, level.mean_error), std::hypot(level.error, pressure_error));
    return SpanKnown{level.percent, error, SpanSource::air_exposure, exposures_.back().time_ms, level.count};
}

std::optional<ReferenceKnown> SpanWatch::reference() const {
    return reference_.at_ms != 0 ? std::optional{reference_} : std::nullopt;
}

}  // namespace probekeeper::diagnosis

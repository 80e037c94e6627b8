#include "diagnosis/span.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numbers>
#include <span>

#include "diagnosis/span_drift.h"
#include "estimate/robust.h"

namespace probekeeper::diagnosis {
namespace {

constexpr std::int64_t visit_ms = 3 * 3'600'000;
// How long after a change of the membrane its level in air is a matter of that work.
constexpr std::int64_t new_ms = 7LL * 86'400'000;
constexpr double day_ms = 86'400'000.0;
// Exposures further apart than this say nothing of each other's scatter.
constexpr std::int64_t newest_ms = 10LL * 86'400'000;
// A blast is air in water, not a probe held in air: pressure at depth and wet bubbles leave this much open.
constexpr double blast_error = 1.5;
// How far a probe is from right when it is first seen, and just after a calibration: standard deviations in
// percent. Guesses.
constexpr double first_spread = 2.0, calibrated_spread = 0.7;
// What a change of the level since the first exposures may owe to other causes than the span, as a part of
// what one exposure is off. A guess.
constexpr double change_part = 0.25;
// How often a probe is wrong from the first, and by how much then, percent. Guesses.
constexpr double wrong_at_first = 0.1, wrong_spread = 15.0;
constexpr std::size_t first_exposures = 8;
constexpr std::size_t fewest_exposures = 3;

// So long, give or take as much, one has drifted when it is first seen to, if it could. A guess.
constexpr double drifted_days = 7.0;
constexpr std::size_t first_slope = 2;  // of `drift_`
constexpr double outlier_beyond = 2.5;  // standard deviations
// So many of them in a row are a step, and so long one downwards must last. Guesses.
constexpr std::uint32_t a_step = 6;
constexpr double at_rest = 1.5;  // standard deviations of one, from the older half of them to the newer one
// A cleaner that fails shows less from blast to blast, and by more each time than they ever scattered: that
// they scatter so by then makes no span of it. So many times their usual scatter, which may grow by so much
// with each of them, is believed of one below. Guesses.
constexpr double most_usual = 1.5, usual_grows = 1.01;
constexpr std::int64_t step_down_ms = 4LL * 86'400'000;
constexpr double infinity = std::numeric_limits<double>::infinity();

double square(double x) {
    return x * x;
}

}  // namespace

// `off` is the sum of what the blasts and the probe add, both normal, the blasts' about 0: the blasts' part
// of it, and how likely so much is in all.
SpanWatch::Common SpanWatch::share_of(double off, double of_blasts, Before const& of_probe) {
    double const both = of_blasts + of_probe.variance;
    double const beyond = off - of_probe.percent;
    return {beyond * of_blasts / both, std::sqrt(of_blasts * of_probe.variance / both),
            std::exp(-0.5 * square(beyond) / both) / std::sqrt(both)};
}

// A drift that is under way when a probe is first seen began before that day, but not before its membrane was
// new, or it was calibrated.
SpanWatch::Before SpanWatch::before() const {
    bool const calibrated = calibrated_ms_ != 0 && calibrated_ms_ > membrane_ms_ - visit_ms;
    double const age = static_cast<double>(first_ms_ - std::max(membrane_ms_, calibrated_ms_)) / day_ms;
    double const days = std::clamp(age, 0.0, drifted_days);
    double const slope = drift_.mean(first_slope);
    double const slope_variance = square(slope) + drift_.variance(first_slope);
    return {slope * days,
            square(calibrated ? calibrated_spread : first_spread) + square(days) * slope_variance};
}

void SpanWatch::pass(LevelAndDrift& drift, double days) {
    drift.wander(0, 1, days, level_noise, slope_noise);
}

void SpanWatch::exposure(std::int64_t time_ms, AirLevel const& air) {
    if (!exposures_.empty()) {
        pass(drift_, static_cast<double>(time_ms - exposures_.back().time_ms) / day_ms);
    }
    correct_former(air.corrects_former);
    // By what it should read in air, not by what it reads, which is off by chance; and beside that, so that a
    // probe whose span moves does not seem to go another way in the same water.
    double const should = seen_ == 0 ? air.percent : ways_.tells() ? ways_.percent() : drift_.mean(0);
    double const way = std::isnan(air.water) ? 0.0 : 100.0 * (1.0 - air.water / should);
    exposures_.push(
        {time_ms, static_cast<float>(air.percent), static_cast<float>(air.error), static_cast<float>(way)});
    ++seen_;
    // A length that was taught while the probe was about right holds for the membranes after it.
    bool const carried = taught_before_ && !air.absolute;
    alike_error_ = carried ? std::hypot(air.alike, first_spread) : air.alike;
    absolute_ = (seen_ == 1 || absolute_) && (air.absolute || carried);
    auto const now = scatter();
    usual_sigma_ = usual_sigma_ > 0.0 ? std::min(now.sigma, usual_grows * usual_sigma_) : now.sigma;
    if (seen_ == 1) {
        drift_.set(0, air.percent, square(now.sigma));
        drift_.set(1, 0.0, slope_prior);
        drift_.copy(1, first_slope);
        first_ms_ = time_ms;
    } else {
        // The first values are no measure yet for which one lies too far out.
        auto beyond = infinity;
        if (seen_ > fewest_exposures) {
            beyond = outlier_beyond;
        }
        // As many as scatter so, each for what it is worth.
        double const sigma = now.sigma * air.error / now.mean_error;
        double const off = air.percent - drift_.mean(0);
        double const usual = off > 0.0 ? 1.0 : std::min(1.0, most_usual * usual_sigma_ / now.sigma);
        bool const outlier = drift_.update(off, {1.0, 0.0, 0.0}, square(sigma), usual * beyond) < 1.0;
        follow_step(outlier, off > 0.0, usual * sigma);
    }
    if (!std::isnan(air.water)) {
        auto const corrected = scatter(ways_.part());
        ways_.blast(time_ms, air.percent, way, corrected.sigma * air.error / corrected.mean_error);
    }
    learn_first();
}

void SpanWatch::correct_former(double percent) {
    exposures_.change_all([percent](Exposure& e) { e.percent += static_cast<float>(percent); });
    drift_.shift(0, percent);
    first_percent_ += first_percent_ > 0.0 ? percent : 0.0;
}

// How far apart they lie shows what each is off by chance, and the mean of some is off by less.
void SpanWatch::learn_first() {
    if (first_percent_ > 0.0 || seen_ < first_exposures) {
        return;
    }
    auto const now = scatter();
    first_percent_ = now.median;
    first_way_ = ways_.usual_way();
    first_error_ = now.sigma / std::sqrt(static_cast<double>(first_exposures));
}

// Outliers in a row and all on one side are a step: the level is where they are. Blasts that reach the
// membrane less and less begin like a step down, but do not stay there.
void SpanWatch::follow_step(bool outlier, bool above, double sigma) {
    auto const now_ms = exposures_.back().time_ms;
    bool const goes_on = outlier && above == above_ && beyond_ > 0;
    beyond_ = goes_on ? beyond_ + 1 : outlier ? 1U : 0U;
    beyond_since_ms_ = goes_on ? beyond_since_ms_ : now_ms;
    above_ = above;
    if (beyond_ < a_step || (!above && now_ms - beyond_since_ms_ < step_down_ms)) {
        return;
    }
    std::array<double, a_step> newest{};
    double falls = 0.0;  // from its older half to its newer one
    for (std::size_t i = 0; i < a_step; ++i) {
        newest[i] = static_cast<double>(exposures_.from_back(i).percent);
        falls += (i < a_step / 2 ? -2.0 : 2.0) / a_step * newest[i];
    }
    // What has not come to rest is no step yet: blasts that reach the membrane less from one to the next.
    // Nor is what scatters as far as it lies off.
    double const scatters = estimate::mad_sigma(newest);
    double const level = estimate::median_inplace(std::span{newest});
    bool const strewn = std::abs(level - drift_.mean(0)) < outlier_beyond * scatters;
    if (strewn || (!above && falls > at_rest * sigma)) {
        return;
    }
    drift_.set(0, level, square(sigma));
    ways_.set_level(level, square(sigma));
    beyond_ = 0;
}

void SpanWatch::begin_anew() {
    taught_before_ = taught_before_ || first_percent_ > 0.0;
    exposures_.clear();
    drift_ = {};
    ways_.begin_anew();
    seen_ = 0;
    beyond_ = 0;
    usual_sigma_ = 0.0;
    first_percent_ = first_error_ = first_way_ = alike_error_ = 0.0;
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

// Of one exposure, from the steps between each and the next: a drift counts for little in them.
SpanWatch::Scatter SpanWatch::scatter(double part) const {
    std::array<double, 24> kept{}, steps{};
    Scatter s;
    for (std::size_t i = 0; i < exposures_.size(); ++i) {
        auto const& e = exposures_.from_back(i);
        if (e.time_ms < exposures_.back().time_ms - newest_ms) {
            break;
        }
        kept[s.count] = static_cast<double>(e.percent) - part * static_cast<double>(e.way);
        if (s.count > 0) {
            steps[s.count - 1] = std::abs(kept[s.count] - kept[s.count - 1]);
        }
        s.mean_error += static_cast<double>(e.error);
        ++s.count;
    }
    if (s.count == 0) {
        return s;
    }
    s.mean_error /= static_cast<double>(s.count);
    s.median = estimate::median_inplace(std::span{kept.data(), s.count});
    s.sigma = s.count < 5 ? std::max(1.0, 0.5 * s.mean_error)
                          : std::max(0.4, estimate::mad_to_sigma / std::numbers::sqrt2 *
                                              estimate::median_inplace(std::span{steps.data(), s.count - 1}));
    return s;
}

SpanWatch::Common SpanWatch::common(std::optional<WayLevel::Known> const& ways) const {
    auto const now = scatter(ways ? ways->part : 0.0);
    bool const first_known = first_percent_ > 0.0;
    double const off =
        (first_known ? first_percent_ - (ways ? ways->part * first_way_ : 0.0) : now.median) - 100.0;
    double const alike_error = ways ? first_way_ * std::sqrt(ways->part_variance) : alike_error_;
    double const of_blasts =
        square(std::hypot(blast_error, first_known ? std::hypot(first_error_, alike_error) : now.mean_error));
    auto const probe = before();
    double const changed = change_part * now.sigma;
    // Where they have taught their own length, all that the first ones were off is theirs, and the probe was
    // as far from right as one is; what is doubtful about that length since is doubtful of the change.
    if (!absolute_ && !ways) {
        double const at_first = std::hypot(std::sqrt(probe.variance), first_error_);
        return {off - probe.percent, std::hypot(at_first, std::hypot(changed, alike_error_)), 0.0};
    }
    // Either the probe was about right, or it was wrong from the first: two normal priors of what it adds,
    // and a normal one of what the blasts add.
    Common const right = share_of(off, of_blasts, probe);
    Common const wrong = share_of(off, of_blasts, {0.0, square(wrong_spread)});
    double const odds = (1.0 - wrong_at_first) * right.density / (wrong_at_first * wrong.density);
    double const p = odds / (1.0 + odds);
    Common both;
    both.percent = p * right.percent + (1.0 - p) * wrong.percent;
    double const variance = p * (square(right.error) + square(right.percent - both.percent)) +
                            (1.0 - p) * (square(wrong.error) + square(wrong.percent - both.percent));
    both.error = std::hypot(std::sqrt(variance), std::hypot(changed, change_part * alike_error_));
    return both;
}

std::optional<WayLevel::Known> SpanWatch::by_ways() const {
    return !absolute_ && ways_.tells() ? std::optional{ways_.known(ahead_days)} : std::nullopt;
}

std::optional<SpanKnown> SpanWatch::known(double pressure_error) const {
    if (air_ms_ != 0) {
        return SpanKnown{air_percent_, 1.0, SpanSource::air_calibration, air_ms_, 0, air_percent_, 1.0};
    }
    bool const compared = absolute_ || first_percent_ > 0.0;
    if (seen_ >= fewest_exposures && compared) {
        auto const ways = by_ways();
        auto const blast = common(ways);
        double const alike = std::hypot(blast.error, pressure_error);
        auto ahead = drift_;
        pass(ahead, ahead_days);
        auto const level = ways.value_or(
            WayLevel::Known{drift_.mean(0), drift_.variance(0), ahead.mean(0), ahead.variance(0)});
        SpanKnown k;
        k.percent = level.percent - blast.percent;
        k.error = std::hypot(alike, std::sqrt(level.variance));
        k.at_ms = exposures_.back().time_ms;
        k.exposures = seen_;
        k.absolute = absolute_ || ways;
        k.ahead_percent = level.ahead_percent - blast.percent;
        k.ahead_error = std::hypot(alike, std::sqrt(level.ahead_variance));
        return k;
    }
    if (calibrated_ms_ != 0) {
        return SpanKnown{100.0, 1.0, SpanSource::air_calibration, calibrated_ms_, 0, 100.0, 1.0};
    }
    return std::nullopt;
}

std::optional<SpanKnown> SpanWatch::after_service(std::int64_t now_ms, double pressure_error) const {
    if (membrane_ms_ == 0 || now_ms - membrane_ms_ > new_ms || seen_ < fewest_exposures) {
        return std::nullopt;
    }
    double const error = std::hypot(std::hypot(blast_error, scatter().mean_error),
                                    std::hypot(std::sqrt(drift_.variance(0)), pressure_error));
    return SpanKnown{drift_.mean(0), error, SpanSource::air_exposure, exposures_.back().time_ms, seen_,
                     drift_.mean(0), error};
}

std::optional<ReferenceKnown> SpanWatch::reference() const {
    return reference_.at_ms != 0 ? std::optional{reference_} : std::nullopt;
}

}  // namespace probekeeper::diagnosis

#include "diagnosis/trend.h"

#include <algorithm>
#include <cmath>
#include <span>

#include "estimate/robust.h"

namespace probekeeper::diagnosis {
namespace {

constexpr double day_ms = 86'400'000.0;
constexpr std::int64_t batch_ms = 8 * 3'600'000;
// What no number of tests averages away: the response model, the temperature correction, the water.
constexpr double model_error = 0.03;
// Of the value that is reported: a fit's T90 and the T90 of a step in the laboratory differ by about this.
constexpr double definition_error = 0.04;
constexpr double decline_error = 0.10;  // a decline tells the lag behind a ramp, from which T90 is inferred
constexpr std::uint32_t fewest_fresh_tests = 5;
constexpr double settled_days = 0.25;  // a new membrane settles in minutes to hours
constexpr double fresh_days = 6.0;     // later it is not fresh any more

constexpr double ln10 = 2.302585092994046;
constexpr double ln20 = 2.995732273553991;
// Of membrane diffusion T90 is 0.30351847 b^2/D and the lag behind a ramp b^2/(6 D) (Crank).
constexpr double membrane_t90_over_lag = 6.0 * 0.30351847;
// How long water and air take to displace each other at a membrane. A guess at what is common; no source.
constexpr double flush_s = 3.0, flush_error_s = 3.0;
// How near a fresh probe comes to the T90 its configuration expects (standard deviation of ln). A guess, too.
constexpr double nominal_error = 0.15;

double square(double x) {
    return x * x;
}

bool is_step(TestSource source) {
    return source == TestSource::cleaning || source == TestSource::air_exposure;
}

}  // namespace

void Trend::take(std::int64_t time_ms, TestSource source, double ln_tau_20, ResponseFit const& fit,
                 double nominal_s) {
    bool const step = is_step(source);
    auto& batch = step ? steps_ : declines_;
    if (batch.count == batch.ln.size() || (batch.count > 0 && time_ms - batch.first_ms > batch_ms)) {
        close(batch, step);
    }
    batch.first_ms = batch.count == 0 ? time_ms : batch.first_ms;
    batch.last_ms = time_ms;
    batch.ln[batch.count] = static_cast<float>(ln_tau_20 + std::log(ln10));
    batch.error[batch.count] = static_cast<float>(fit.ln_error);
    ++batch.count;
    newest_ms_ = std::max(newest_ms_, time_ms);
    nominal_s_ = nominal_s;
    if (step && !std::isnan(fit.onset_s)) {
        saw_onset(fit.onset_s, fit.tau_s);
    } else if (!step) {
        saw_delay(fit.onset_s, fit.ln_error);
    }
}

void Trend::saw_onset(double onset_s, double tau_s) {
    double const gain = tau_mean_s_ == 0.0 ? 1.0 : 0.05;
    onset_mean_s_ += gain * (onset_s - onset_mean_s_);
    tau_mean_s_ += gain * (tau_s - tau_mean_s_);
}

// Two signs of membrane diffusion. Its tail begins ln 2 time constants late, on top of a flush of a few seconds.
// And a fresh probe's T90 should be what its configuration expects.
ResponseModel Trend::model() const {
    double const late_by_s = std::log(2.0) * tau_mean_s_;
    double const onset_evidence = late_by_s / square(flush_error_s) * (onset_mean_s_ - flush_s - 0.5 * late_by_s);
    return onset_evidence + nominal_evidence_ > 0.0 ? ResponseModel::membrane : ResponseModel::first_order;
}

void Trend::compare_with_nominal(double nominal_s) {
    double const as_first_order = filter_.level() - std::log(nominal_s);
    double const shift = std::log(ln20 / ln10);
    nominal_evidence_ = -shift / square(nominal_error) * (as_first_order + 0.5 * shift);
}

double Trend::t90_over_tau(TestSource source) const {
    if (model() == ResponseModel::first_order) {
        return ln10;
    }
    return is_step(source) ? ln20 : membrane_t90_over_lag;
}

void Trend::settle(std::int64_t now_ms) {
    if (steps_.count > 0 && now_ms - steps_.first_ms > batch_ms) {
        close(steps_, true);
    }
    if (declines_.count > 0 && now_ms - declines_.first_ms > batch_ms) {
        close(declines_, false);
    }
}

void Trend::close(Batch& batch, bool reference) {
    std::array<double, 24> values{};
    double information = 0.0;
    for (std::uint32_t i = 0; i < batch.count; ++i) {
        values[i] = static_cast<double>(batch.ln[i]);
        information += 1.0 / square(std::max(0.02, static_cast<double>(batch.error[i])));
    }
    std::span const kept{values.data(), batch.count};
    double const middle = estimate::median_inplace(kept);
    for (auto& v : kept) {
        v = std::abs(v - middle);
    }
    double const n = batch.count;
    double const scatter = batch.count < 3 ? 0.0 : 1.482602218505602 * estimate::median_inplace(kept);
    // The scatter of the tests themselves outweighs what each of them believes of itself.
    double const error = std::max(1.2533 * scatter / std::sqrt(n), 1.0 / std::sqrt(information));
    auto const at_ms = (batch.first_ms + batch.last_ms) / 2;
    tests_ += batch.count;
    ++batches_;
    batch.count = 0;

    if (filter_ms_ != 0 && at_ms > filter_ms_) {
        filter_.predict(static_cast<double>(at_ms - filter_ms_) / day_ms);
    }
    filter_ms_ = std::max(filter_ms_, at_ms);
    double value = middle;
    double variance = square(error) + square(model_error);
    if (reference) {
        ++steps_batches_;
    } else if (steps_batches_ > 0 && filter_.started()) {
        // Steps are the cleaner half: declines are brought into line with them, slowly.
        double const gap = middle - filter_.level();
        double const gain =
            decline_bias_variance_ / (decline_bias_variance_ + variance + filter_.level_variance());
        decline_bias_ += std::clamp(gain, 0.02, 1.0) * (gap - decline_bias_);
        decline_bias_variance_ = std::max(square(0.02), decline_bias_variance_ * (1.0 - gain));
        value -= decline_bias_;
        variance += decline_bias_variance_;
    } else {
        variance += square(decline_error) / (1.0 + 0.2 * batches_);
    }
    double const surprise =
        batches_ < 3 ? 0.0 : (value - filter_.level()) / std::sqrt(variance + filter_.level_variance());
    if (std::abs(surprise) > 3.0 && surprise * last_surprise_ > 9.0) {
        filter_.step(square(0.3));  // twice the same way: the level has stepped, and the tests are right
        last_surprise_ = 0.0;
    } else {
        last_surprise_ = std::abs(surprise) > 3.0 ? surprise : 0.0;
    }
    filter_.update(value, variance);
    learn_fresh(at_ms);
}

void Trend::learn_fresh(std::int64_t now_ms) {
    double const age_days = static_cast<double>(now_ms - life_ms_) / day_ms;
    if (life_known_ && !fresh_known_ && age_days > settled_days && tests_ >= fewest_fresh_tests) {
        fresh_known_ = age_days < fresh_days;
        life_known_ = fresh_known_;
        fresh_ln_ = filter_.level();
        if (fresh_known_ && nominal_s_ > 0.0 && steps_batches_ > 0) {
            compare_with_nominal(nominal_s_);
        }
    }
}

void Trend::new_life(std::int64_t now_ms, bool fresh) {
    filter_.restart();
    filter_ms_ = 0;
    steps_.count = declines_.count = 0;
    tests_ = batches_ = 0;
    newest_ms_ = 0;
    last_surprise_ = 0.0;
    life_ms_ = now_ms;
    life_known_ = fresh;
    fresh_known_ = false;
}

void Trend::saw_delay(double delay_s, double ln_error) {
    // A running mean whose weight falls to one in a hundred; poor fits count less.
    double const spread = std::max(2.0, 20.0 * ln_error);
    double const gain =
        std::max(0.01, square(delay_error_s_) / (square(delay_error_s_) + square(spread) * 4.0));
    double const surprise = std::clamp(delay_s - delay_s_, -30.0, 30.0);
    delay_s_ += gain * surprise;
    delay_error_s_ = std::max(3.0, delay_error_s_ * std::sqrt(1.0 - gain));
}

// The filter works on ln(10) tau; what makes it T90 is the model.
double Trend::scale_ln() const {
    return std::log(t90_over_tau(steps_batches_ > 0 ? TestSource::cleaning : TestSource::aeration_off) / ln10);
}

std::optional<double> Trend::fresh_ln() const {
    return fresh_known_ ? std::optional{fresh_ln_ + scale_ln()} : std::nullopt;
}

std::optional<LevelKnown> Trend::known(std::int64_t at_ms) const {
    if (batches_ == 0) {
        return std::nullopt;
    }
    double const ahead_days = std::max(0.0, static_cast<double>(at_ms - filter_ms_) / day_ms);
    auto const now = filter_.forecast(ahead_days);
    LevelKnown known;
    known.ln_t90 = now.mean + scale_ln();
    known.error = std::sqrt(now.variance + square(definition_error));
    known.slope_per_day = filter_.slope();
    known.slope_error = std::sqrt(filter_.slope_variance());
    return known;
}

}  // namespace probekeeper::diagnosis

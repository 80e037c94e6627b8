#include "diagnosis/found.h"

#include <algorithm>
#include <cmath>
#include <span>

#include "diagnosis/assumed.h"
#include "electrode/first_order.h"
#include "electrode/membrane.h"
#include "estimate/robust.h"

namespace probekeeper::diagnosis {
namespace {

constexpr double day_ms = 86'400'000.0;
// Blowers and diffusers gather speed in seconds, and no reading shows it apart from the probe. With
// `least_part`, what is the probe's at the least of a lag. Common practice, no source.
constexpr double usual_aerator_s = 8.0, aerator_error_s = 5.0;
constexpr double least_part = 0.35;
constexpr std::uint32_t fewest_rises = 5;
constexpr double last_for_days = 10.0;  // later they say nothing of today
constexpr double fresh_days = 6.0;      // of a new membrane; later it is not fresh any more
// What no number of rises averages away, by trying them on simulated works, in ln: of T90, the model of the
// water and which kind of response it is; of the ratio to the fresh days, what the load does.
constexpr double model_error = 0.25, ratio_model_error = 0.18;
// What a fit believes to be its own error is for a good part what it assumes of the water, which is wrong of
// all rises alike.
constexpr double common_part = 0.3;
// Small rises are those of water that uses nearly all that the aerator gives: their lag shrinks the most
// where a diffuser fails. So much of the change of ln height, and of what it lacks to a usual rise.
constexpr double height_part = 0.4;
constexpr double usual_ln_height = -1.2;

double square(double x) {
    return x * x;
}

double less_aerator(double late_s, double aerator_s) {
    return std::max(late_s - aerator_s, least_part * late_s);
}

// T90 over the mean lag, when the response is as likely of the one kind as of the other.
double t90_over_lag() {
    return std::sqrt(electrode::first_order_t90_over_tau * electrode::membrane_t90_over_mean);
}

template <typename Value>
double median_of(std::size_t count, Value value) {
    std::array<double, 24> values{};
    for (std::size_t i = 0; i < count; ++i) {
        values[i] = static_cast<double>(value(i));
    }
    return estimate::median_inplace(std::span{values.data(), count});
}

}  // namespace

double t90_of_found_s(double late_s) {
    return less_aerator(late_s, usual_aerator_s) * t90_over_lag();
}

void FoundLag::take(std::int64_t time_ms, double ln_to_20, ResponseFit const& fit, double saturation) {
    settle(time_ms);
    if (count_ == most_rises) {
        close();
    }
    first_ms_ = count_ == 0 ? time_ms : first_ms_;
    last_ms_ = time_ms;
    ln_late_[count_] = static_cast<float>(std::log(fit.late_s) + ln_to_20);
    error_[count_] = static_cast<float>(fit.ln_error);
    ln_height_[count_] = static_cast<float>(std::log(fit.step / saturation));
    ln_to_20_ += static_cast<float>(ln_to_20);
    ++count_;
}

void FoundLag::settle(std::int64_t now_ms) {
    if (count_ > 0 && static_cast<double>(now_ms - first_ms_) > day_ms) {
        close();
    }
}

void FoundLag::close() {
    constexpr double scatter_of_few = 0.5;
    std::array<double, most_rises> values{};
    std::copy_n(ln_late_.begin(), count_, values.begin());
    std::span const kept{values.data(), count_};
    double const scatter = count_ < 3 ? scatter_of_few : estimate::mad_sigma(kept);
    Day day;
    day.at_ms = last_ms_;
    day.ln_late = static_cast<float>(estimate::median_inplace(kept));
    day.scatter = static_cast<float>(1.2533 * scatter / std::sqrt(static_cast<double>(count_)));
    day.fit_error = static_cast<float>(median_of(count_, [&](std::size_t i) { return error_[i]; }));
    day.ln_height = static_cast<float>(median_of(count_, [&](std::size_t i) { return ln_height_[i]; }));
    day.ln_to_20 = ln_to_20_ / static_cast<float>(count_);
    day.count = count_;
    days_.push(day);
    count_ = 0;
    ln_to_20_ = 0.0F;
    learn_fresh();
}

void FoundLag::learn_fresh() {
    double const age_days = static_cast<double>(days_.back().at_ms - life_ms_) / day_ms;
    if (!life_known_ || age_days > fresh_days) {
        return;
    }
    fresh_ = level();
    fresh_known_ = fresh_.count >= fewest_rises;
}

// Of the days that belong together with the newest.
FoundLag::Level FoundLag::level() const {
    std::array<Day, most_days> near{};
    std::size_t count = 0;
    for (std::size_t i = 0; i < days_.size(); ++i) {
        if (static_cast<double>(newest_ms() - days_[i].at_ms) < most_days * day_ms) {
            near[count++] = days_[i];
        }
    }
    double const to_20 = std::exp(median_of(count, [&](std::size_t i) { return near[i].ln_to_20; }));
    double const late_s = std::exp(median_of(count, [&](std::size_t i) { return near[i].ln_late; }));
    double const lag_s = less_aerator(late_s, usual_aerator_s * to_20);
    Level level;
    level.ln_lag = std::log(lag_s);
    // Upwards: how slow it may be is what is asked.
    level.aerator_error = std::log1p(aerator_error_s * to_20 / lag_s);
    level.scatter = median_of(count, [&](std::size_t i) { return near[i].scatter; }) /
                    std::sqrt(static_cast<double>(count));
    level.fit_error = median_of(count, [&](std::size_t i) { return near[i].fit_error; });
    level.ln_height = median_of(count, [&](std::size_t i) { return near[i].ln_height; });
    for (std::size_t i = 0; i < count; ++i) {
        level.count += near[i].count;
    }
    return level;
}

std::optional<FoundLag::Known> FoundLag::known(std::int64_t now_ms) const {
    if (days_.empty() || static_cast<double>(now_ms - newest_ms()) > last_for_days * day_ms) {
        return std::nullopt;
    }
    auto const today = level();
    if (today.count < fewest_rises) {
        return std::nullopt;
    }
    double const own = square(today.scatter) + square(common_part * today.fit_error);
    double const low = height_part * std::max(0.0, usual_ln_height - today.ln_height);
    Known known;
    known.ln_t90 = today.ln_lag + std::log(t90_over_lag());
    known.error = std::sqrt(own + square(model_error) + square(today.aerator_error) + square(low) +
                            square(temperature_known_ ? 0.0 : no_temperature_error));
    if (fresh_known_) {
        known.ln_ratio = today.ln_lag - fresh_.ln_lag;
        known.ratio_error =
            std::sqrt(own + square(fresh_.scatter) + square(common_part * fresh_.fit_error) +
                      square(ratio_model_error) + square(height_part * (today.ln_height - fresh_.ln_height)) +
                      square(today.aerator_error - fresh_.aerator_error) +
                      square(temperature_known_ ? 0.0 : no_temperature_change));
    }
    return known;
}

void FoundLag::forget_days() {
    days_.clear();
    count_ = 0;
    ln_to_20_ = 0.0F;
}

void FoundLag::new_life(std::int64_t now_ms, bool fresh) {
    forget_days();
    life_ms_ = now_ms;
    life_known_ = fresh;
    fresh_known_ = false;
}

}  // namespace probekeeper::diagnosis

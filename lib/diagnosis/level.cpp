#include "diagnosis/level.h"

#include <algorithm>
#include <cmath>

namespace probekeeper::diagnosis {
namespace {

// ln T90 by the day: coating doubles T90 in one week to months, and quickens. Guesses that the simulated
// plants bear out.
constexpr double level_noise = 1e-4;    // growth of the variance a day
constexpr double slope_noise = 1.2e-5;  // of the slope's, per day^3
constexpr double slope_prior = 9e-4;    // CoatingPrior has its root
constexpr double vague = 4.0;           // variance of ln tau before the first test
// Common practice, no source: blowers and diffusers run down in seconds, surface aerators in half a minute.
constexpr double usual_delay_s = 10.0, usual_delay_error_s = 6.0;
// Of an airflow that is measured: what the meter itself is late, and the water on its way. A guess.
constexpr double timed_delay_s = 0.0, timed_delay_error_s = 4.0;
constexpr double retimed_jump = 0.3;
// A decline tells the mean lag of a response, a step its tail: 1.645 times as much for membrane diffusion
// (L^2/6D over L^2/pi^2 D), the same for a first-order response. The water's own bend comes to it.
constexpr double usual_offset = 0.2, usual_offset_error = 0.3;
constexpr double offset_noise =
    2e-5;  // growth of its variance a day: the water's bend changes with the season
// Of a rise: how late a water is by itself. A guess, and how that changes with the load from day to day.
constexpr double usual_rise_habit_error_s = 20.0;
constexpr double rise_habit_noise = 0.05;  // growth of its variance a day, s^2
// Activation energies of membranes lie within about a fifth of the typical one (common practice, no source).
constexpr double temperature_error = 0.2;

// So long a level that was told by other evidence hardly moves by itself. A guess.
constexpr double as_expected_days = 2.0;

constexpr std::uint32_t trusted = 3;  // first values are no measure for each other
constexpr double outlier_beyond = 2.5;
// How quickly tests teach how much rougher they are than they say themselves, and what can be believed at
// most.
constexpr double roughness_gain = 0.05;
constexpr double roughest = 9.0;

double square(double x) {
    return x * x;
}

// How much a lag moves where its logarithm does by one: the tangent, but between lags that are far apart the
// chord. A tangent at a lag that is far too small would hardly ever lead back; a chord everywhere would turn
// with the noise of each test.
double steepness(double expected, double seen) {
    constexpr double far_apart = 0.5;
    double const ln = std::log(seen / expected);
    return std::abs(ln) < far_apart ? expected : (seen - expected) / ln;
}

}  // namespace

Level::Level() {
    filter_.set(delay, usual_delay_s, square(usual_delay_error_s));
    filter_.set(temperature, 0.0, square(temperature_error));
    filter_.set(rise_habit, 0.0, square(usual_rise_habit_error_s));
    restart();
}

void Level::restart() {
    filter_.set(level, 0.0, vague);
    filter_.set(slope, 0.0, slope_prior);
    filter_.set(fresh, 0.0, 0.0);
    taken_ = 0;
    expected_days_ = 0.0;
    declines_seen_ = false;
}

void Level::pass(double days) {
    if (!started()) {
        return;
    }
    expected_days_ = std::max(0.0, expected_days_ - days);
    filter_.wander(level, slope, days, level_noise, slope_noise);
    filter_.loosen(offset, steps_seen_ ? days * offset_noise : 0.0);
    filter_.loosen(rise_habit, filter_.variance(rise_habit) < square(usual_rise_habit_error_s)
                                   ? days * rise_habit_noise
                                   : 0.0);
}

double Level::take(double surprise, Filter::Vector const& weights, double variance, double& roughness,
                   unsigned considered) {
    double const expected = filter_.expected_variance(weights);
    double const off = surprise / std::sqrt(expected + roughness * variance);
    if (taken_ >= trusted) {
        double const seen = std::clamp((square(surprise) - expected) / variance, 0.0, roughest);
        roughness = std::max(1.0, roughness + roughness_gain * (seen - roughness));
    }
    filter_.update(surprise, weights, roughness * variance,
                   taken_ < trusted ? std::numeric_limits<double>::infinity() : outlier_beyond, considered);
    ++taken_;
    return off;
}

// Declines alone are taken at their word: ln tau is then that of the mean lag. The first step tells the tail
// apart.
void Level::tell_declines_from_steps() {
    filter_.set(offset, usual_offset, square(usual_offset_error));
    if (declines_seen_) {
        filter_.add(level, -1.0, offset);
        filter_.add(fresh, -1.0, offset);
    }
    steps_seen_ = true;
}

double Level::take_step(Measured const& m) {
    if (!steps_seen_) {
        tell_declines_from_steps();
    }
    if (!started()) {
        filter_.set(level, m.ln_s + m.ln_to_20 * temperature_share(), vague);
    }
    double const surprise = m.ln_s - (filter_.mean(level) - m.ln_to_20 * temperature_share());
    Filter::Vector weights{};
    weights[level] = 1.0;
    weights[temperature] = -m.ln_to_20;
    return take(surprise, weights, square(m.error), step_roughness_, 0);
}

double Level::take_decline(Measured const& m) {
    declines_seen_ = true;
    double const correction = m.ln_to_20 * temperature_share() - filter_.mean(offset);
    if (!started()) {
        filter_.set(level, std::log(lag_s(std::exp(m.ln_s))) + correction, vague);
    }
    // In seconds, in which lag and delay add up.
    double const late_s = std::exp(m.ln_s);
    double const expected_s = std::exp(filter_.mean(level) - correction);
    double const by_ln_s = steepness(expected_s, lag_s(late_s));
    Filter::Vector weights{};
    weights[level] = by_ln_s;
    weights[offset] = by_ln_s;
    weights[temperature] = -m.ln_to_20 * by_ln_s;
    weights[delay] = 1.0;
    // A warm week also loads the water, and without steps a coating that quickens looks like a shorter delay,
    // with which the fresh probe would have been slower, too. But where the level has just been told, what is
    // late beyond it is the aerator's: left open, it would be held against the level for weeks, and a probe
    // that slows be thought to be as it was.
    bool const others_told = steps_seen_ || expected_days_ > 0.0;
    unsigned const considered = 1U << temperature | (others_told ? 0U : 1U << delay | 1U << fresh);
    double const expected_late_s = std::max(expected_s + delay_s(), 0.5 * late_s);
    double const surprise_s = late_s - expected_s - delay_s();
    return take(surprise_s, weights, square(m.error) * late_s * expected_late_s, decline_roughness_,
                considered);
}

double Level::take_lag(Measured const& m) {
    declines_seen_ = true;
    double const correction = m.ln_to_20 * temperature_share() - filter_.mean(offset);
    if (!started()) {
        filter_.set(level, m.ln_s + correction, vague);
    }
    Filter::Vector weights{};
    weights[level] = 1.0;
    weights[offset] = 1.0;
    weights[temperature] = -m.ln_to_20;
    double const surprise = m.ln_s + correction - filter_.mean(level);
    return take(surprise, weights, square(m.error), decline_roughness_, 1U << temperature);
}

// In seconds, for what is late of it may be nothing or less. It comes after steps or declines only.
double Level::take_rise(double late_s, double error_s, double ln_to_20, bool alone) {
    double const lag_s =
        std::exp(filter_.mean(level) + filter_.mean(offset) - ln_to_20 * temperature_share());
    Filter::Vector weights{};
    weights[level] = lag_s;
    weights[offset] = lag_s;
    weights[temperature] = -ln_to_20 * lag_s;
    weights[delay] = 1.0;
    weights[rise_habit] = 1.0;
    // What belongs to others is theirs to teach.
    unsigned const theirs = 1U << temperature | 1U << offset | 1U << delay;
    unsigned const considered = theirs | (alone ? 0U : 1U << level | 1U << slope | 1U << fresh);
    double const surprise = late_s - lag_s - delay_s() - rise_habit_s();
    return take(surprise, weights, square(error_s), rise_roughness_, considered);
}

void Level::time_air() {
    if (air_timed_) {
        return;
    }
    air_timed_ = true;
    if (declines_seen_ && !steps_seen_) {
        may_have_jumped(retimed_jump);  // so far it was told by edges of another time
    }
    filter_.set(delay, timed_delay_s, square(timed_delay_error_s));
}

void Level::hear(Quantity which, double value, double error, double outlier) {
    Filter::Vector weights{};
    weights[which] = 1.0;
    filter_.update(value - filter_.mean(which), weights, square(error), outlier);
}

void Level::expect_offset(double ln, double error) {
    hear(offset, ln, error);
}

Level::Offset Level::offset_seen() const {
    return {filter_.mean(offset), std::sqrt(filter_.variance(offset))};
}

void Level::expect_delay(double delay_s, double error_s) {
    hear(delay, delay_s, error_s, outlier_beyond);
}

Level::Delay Level::delay_beside(double more, double more_error) const {
    double const expected_s = std::exp(filter_.mean(level) + filter_.mean(offset));
    double const lag_s = std::exp(filter_.mean(level) + more);
    Filter::Vector weights{};
    weights[level] = expected_s - lag_s;
    weights[offset] = expected_s;
    weights[delay] = 1.0;
    return {filter_.mean(delay) + expected_s - lag_s,
            std::sqrt(filter_.expected_variance(weights) + square(lag_s * more_error))};
}

void Level::expect(double ln_tau_s, double error) {
    double const surprise = ln_tau_s - filter_.mean(level);
    if (std::abs(surprise) < outlier_beyond * std::sqrt(filter_.variance(level) + square(error))) {
        hear(level, ln_tau_s, error);
        expected_days_ = as_expected_days;
    }
}

void Level::may_have_jumped(double by) {
    filter_.loosen(level, square(by));
}

double Level::slope_error() const {
    return std::sqrt(filter_.variance(slope));
}

double Level::rise_habit_error_s() const {
    return std::sqrt(filter_.variance(rise_habit));
}

double Level::delay_error_s() const {
    return std::sqrt(filter_.variance(delay));
}

double Level::variance_ahead(double days) const {
    return filter_.variance(level) +
           days * (2.0 * filter_.covariance(level, slope) + days * filter_.variance(slope)) +
           days * (level_noise + square(days) * slope_noise / 3.0);
}

Level::Ahead Level::ahead(double days) const {
    return {filter_.mean(level) + days * filter_.mean(slope), std::sqrt(variance_ahead(days))};
}

double Level::change_error(double days) const {
    double const shared = filter_.covariance(level, fresh) + days * filter_.covariance(slope, fresh);
    return std::sqrt(std::max(variance_ahead(days) + filter_.variance(fresh) - 2.0 * shared, 0.0));
}

}  // namespace probekeeper::diagnosis

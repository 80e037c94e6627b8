// What the response tests of one position tell together: how quick the probe is today and how that changes,
// how quick it was when fresh, and what of the tests is not the probe's doing: the aerator's delay, what
// declines find beside steps, and how strongly this membrane minds the temperature. All of it is one joint
// estimate, so that what is uncertain of today and of the fresh day alike cancels in their ratio.
#pragma once

#include <algorithm>
#include <cstddef>
#include <cstdint>
#include <limits>

#include "estimate/joint_filter.h"

namespace probekeeper::diagnosis {

// One or more tests of one kind, taken together.
struct Measured {
    double ln_s = 0.0;      // of a step: ln of the tail's time constant; of a decline: ln of its lateness
    double error = 0.0;     // standard deviation of ln_s
    double ln_to_20 = 0.0;  // what the typical temperature law adds to bring ln T90 to 20 degC
};

class Level {
public:
    Level();

    // Time passes, in days. Nothing is known of the water and the aerator any less.
    void pass(double days);
    // The tail of a step, and a decline. Both return how far it was off, in standard deviations.
    double take_step(Measured const& measured);
    double take_decline(Measured const& measured);
    // The mean lag itself, as the bend of a decline tells it whose moment nothing told.
    double take_lag(Measured const& measured);
    // A rise was late by so many seconds; `error_s` its standard deviation. Water rises earlier or later than
    // its balance says by its own habit. Unless `alone`, steps or declines tell the probe better: then a rise
    // teaches that habit only, so that rises can follow the probe once nothing else does.
    double take_rise(double late_s, double error_s, double ln_to_20, bool alone);
    // What a probe in this kind of water is expected to do a day, before its own tests tell; ln T90 a day.
    void expect_coating(double slope_per_day, double error) {
        filter_.set(slope, slope_per_day, error * error);
    }
    // That ln of the tail's time constant should be `ln_tau_s`, by other evidence; where it is far from that,
    // something else is wrong, and nothing is learned. For some days after it declines tell the delay.
    void expect(double ln_tau_s, double error);

    // By how much the mean lag, which declines tell, should exceed the tail's time constant (ln), by what is
    // known of the kind of response. Of no use before there are both.
    void expect_offset(double ln, double error);

    // The same as declines beside steps have shown it.
    struct Offset {
        double ln = 0.0, error = 0.0;
    };
    [[nodiscard]] Offset offset_seen() const;

    // The aerator's delay, as another probe in the same water tells it.
    void expect_delay(double delay_s, double error_s);
    struct Delay {
        double s = 0.0, error_s = 0.0;
    };
    // What of the declines is the aerator's, if the mean lag is the tail's time constant by so much more
    // (ln).
    [[nodiscard]] Delay delay_beside(double more, double more_error) const;

    // Declines are counted from when the air really stopped, as a measured airflow tells it.
    void time_air();
    [[nodiscard]] bool air_timed() const { return air_timed_; }

    // The level may have jumped, by a standard deviation of ln.
    void may_have_jumped(double by);
    // The present level is that of a fresh probe.
    void is_fresh() { filter_.copy(level, fresh); }
    // The fresh probe was so quick, as seen elsewhere.
    void was_fresh_at(double ln_tau, double variance) { filter_.set(fresh, ln_tau, variance); }
    // Another membrane: what was learned of the probe is of no use, what was learned of the position is.
    void restart();

    [[nodiscard]] bool steps_seen() const { return steps_seen_; }
    [[nodiscard]] bool started() const { return taken_ > 0; }
    [[nodiscard]] double ln_tau() const { return filter_.mean(level); }  // at 20 degC
    [[nodiscard]] double fresh_ln_tau() const { return filter_.mean(fresh); }
    [[nodiscard]] double fresh_variance() const { return filter_.variance(fresh); }
    [[nodiscard]] double slope_per_day() const { return filter_.mean(slope); }
    [[nodiscard]] double slope_error() const;
    // `days` from now: the expected ln tau, and its standard deviation.
    struct Ahead {
        double ln_tau = 0.0, error = 0.0;
    };
    [[nodiscard]] Ahead ahead(double days) const;
    // Then, the standard deviation of its change since the fresh day.
    [[nodiscard]] double change_error(double days) const;

    [[nodiscard]] double delay_s() const { return filter_.mean(delay); }
    // What is the probe's of a decline that was late by so much, as far as the delay is known.
    [[nodiscard]] double lag_s(double late_s) const { return std::max(late_s - delay_s(), 0.25 * late_s); }
    [[nodiscard]] double delay_error_s() const;
    // Of a rise, beside the delay of the aerator: by how much this water is late by itself, and its error.
    [[nodiscard]] double rise_habit_s() const { return filter_.mean(rise_habit); }
    [[nodiscard]] double rise_habit_error_s() const;
    // How much of the typical temperature correction is right for this membrane; 1 until it is learned.
    [[nodiscard]] double temperature_share() const { return 1.0 + filter_.mean(temperature); }

private:
    [[nodiscard]] double variance_ahead(double days) const;
    enum Quantity : std::size_t { level, slope, fresh, delay, offset, temperature, rise_habit, quantities };
    using Filter = estimate::JointFilter<quantities>;

    double take(double surprise, Filter::Vector const& weights, double variance, double& roughness,
                unsigned considered);
    void tell_declines_from_steps();
    // One quantity itself, as told by others than tests; `outlier` as of JointFilter::update().
    void hear(Quantity which, double value, double error,
              double outlier = std::numeric_limits<double>::infinity());

    Filter filter_;
    double step_roughness_ = 1.0, decline_roughness_ = 1.0, rise_roughness_ = 1.0;
    double expected_days_ = 0.0;  // that are left of those in which the level is as it was expected
    std::uint32_t taken_ = 0;
    bool steps_seen_ = false;  // at this position, ever: then ln tau is that of the tail
    bool declines_seen_ = false, air_timed_ = false;  // in this life, before any step
};

}  // namespace probekeeper::diagnosis

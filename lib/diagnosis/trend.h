// Fuses a probe's response tests into today's T90 at 20 degC, its slope, and the day it crosses a limit.
// Works on ln T90, where coating is nearly a straight line and errors are nearly normal.
#pragma once

#include <array>
#include <cstdint>
#include <optional>

#include "diagnosis/level.h"
#include "diagnosis/response.h"
#include "diagnosis/setup.h"
#include "diagnosis/verdict.h"

namespace probekeeper::diagnosis {

struct LevelKnown {
    double ln_t90 = 0.0, error = 0.0;  // standard deviation
    // Of its change since the membrane was fresh: what is uncertain of both alike is not in it.
    double change_error = 0.0;
    double slope_per_day = 0.0, slope_error = 0.0;
};

class Trend {
public:
    Trend();
    struct LnKnown {
        double ln, error;
    };
    // What an instrument takes along from one position into another: how quick it was when its membrane was
    // fresh. What it is today has to be seen anew, in the other water.
    struct Taken {
        std::int64_t life_ms = 0;  // when the membrane was put on
        double fresh_ln_t90 = 0.0, fresh_variance = 0.0;
        bool life_known = false, fresh_known = false;
    };
    [[nodiscard]] Taken take_along() const;
    // After new_life(): another instrument, whose membrane has a past.
    void bring(Taken const& taken);

    // A test that is good enough to use. `ln_to_20`: what the typical temperature law adds to ln T90 to bring
    // it to 20 degC. `nominal_s`: the T90 expected of a fresh probe, or 0.
    void take(std::int64_t time_ms, TestSource source, double ln_to_20, ResponseFit const& fit,
              double nominal_s, CoatingPrior const& coating = {});
    // What a test says of the probe, to be multiplied by t90_over_tau(): the time constant of a step's tail;
    // of a decline the lateness less the aerator's delay; of a rise less the water's own habit, too.
    [[nodiscard]] double lag_s(TestSource source, ResponseFit const& fit) const;
    // A measured airflow tells when the air stopped, so that hardly anything of a decline is the aerator's.
    void time_edges_by_air() { level_.time_air(); }
    [[nodiscard]] bool air_times_edges() const { return level_.air_timed(); }
    // A decline that was set aside for telling too little.
    void saw_unsure_decline();
    // How well tests can be corrected to 20 degC: what its water's temperature leaves open of ln T90.
    void temperature_leaves(double error) { temperature_error_ = error; }
    // Closes batches that have waited long enough, even if no further test comes.
    void settle(std::int64_t now_ms);
    // Another membrane, and `fresh` if it is a new one: what was learned of the old one's level is of no use,
    // what was learned of the position is.
    void new_life(std::int64_t now_ms, bool fresh);
    // What neighbours say of its mean lag now (ln at 20 degC): held against the tail of its own steps it
    // tells the kind of response.
    void heard_lag(std::int64_t at_ms, LnKnown const& ln_lag);
    // The aerator's delay: of a probe that steps and declines test, so that it knows which part of these is
    // its own; and what such a probe tells another in the same water.
    [[nodiscard]] std::optional<Level::Delay> aerator() const;
    void heard_delay(Level::Delay const& told);
    // A wipe: the level may step down within the same life.
    void wiped() { level_.may_have_jumped(0.5); }

    [[nodiscard]] std::optional<LevelKnown> known(std::int64_t at_ms) const;
    // ln T90 and its standard error of it alone, as far as its slope is followed: what fits start from.
    [[nodiscard]] std::optional<LnKnown> response(std::int64_t at_ms) const;
    [[nodiscard]] std::optional<double> fresh_ln() const;
    [[nodiscard]] std::uint32_t tests() const { return tests_; }
    [[nodiscard]] std::int64_t newest_test_ms() const { return newest_ms_; }
    // The aerator's own delay, and its standard error. It does not age, so a fresh probe that should be as
    // quick as its configuration expects tells it.
    [[nodiscard]] double delay_s() const { return level_.delay_s(); }
    [[nodiscard]] double delay_error_s() const { return level_.delay_error_s(); }
    // What stands open of lag_s(), beside the error of the fit.
    [[nodiscard]] double lag_error_s(TestSource source) const;
    // How much of the typical temperature correction is right for this membrane.
    [[nodiscard]] double temperature_share() const { return level_.temperature_share(); }
    // Of a position that only stops of the air test, and many have: they tell its mean lag, which one lift
    // would turn into the tail of a step.
    [[nodiscard]] bool declines_tell(std::int64_t at_ms) const;
    // Blasts have tested it, and not one or two lifts alone.
    [[nodiscard]] bool blasted() const { return steps_batches_ >= few_steps; }
    // When the newest test came that was no rise.
    [[nodiscard]] std::int64_t newest_declared_ms() const { return newest_other_ms_; }
    // The likelier kind of response, by what the tests say, and how likely a membrane's is.
    [[nodiscard]] ResponseModel model() const;
    [[nodiscard]] double membrane_probability() const { return membrane_probability_; }
    // ln of the mean lag at 20 degC, by this probe's own tests alone, whatever heard_lag() said: neighbours
    // are told it, and must not hear themselves. And of T90 over it, by both models as far as all that is
    // known tells them apart.
    [[nodiscard]] std::optional<LnKnown> lag(std::int64_t at_ms) const;
    [[nodiscard]] LnKnown t90_over_lag() const;
    // T90 over the tail's time constant, for that model and source.
    [[nodiscard]] double t90_over_tau(TestSource source) const;
    // T90 by one test, in water of its temperature.
    [[nodiscard]] double t90_s(TestSource source, ResponseFit const& fit) const;

private:
    static constexpr std::uint32_t few_steps = 3;  // batches
    // Tests of one source, a few hours together, stand as one: their median is not moved by the odd bad one.
    struct Batch {
        std::array<float, 24> ln{}, error{};
        float ln_to_20 = 0.0F;  // sum
        std::uint32_t count = 0;
        std::int64_t first_ms = 0, last_ms = 0;
    };
    void add(Batch& batch, std::int64_t time_ms, Measured const& test);
    void add_decline(std::int64_t time_ms, double ln_to_20, ResponseFit const& fit);
    // Declines whose moment nothing told.
    [[nodiscard]] bool found(Batch const& batch) const;
    [[nodiscard]] bool waited(Batch const& batch, std::int64_t time_ms) const;
    [[nodiscard]] static bool far_apart(ResponseFit const& fit);
    [[nodiscard]] double first_order_ln(ResponseFit const& fit) const;
    void saw_blast(ResponseFit const& fit);
    void saw_decline(ResponseFit const& fit);
    void compare_with_nominal(double expected_ln, double error);

    [[nodiscard]] double kind_evidence() const;
    void tell_kind();
    [[nodiscard]] double lag_over_level() const;
    void close(Batch& batch);
    // Of the bends of declines whose moment nothing told: by how much all of them may be off; empty where
    // they tell too little.
    [[nodiscard]] static std::optional<double> off_together(Batch const& batch, double scatter);
    void close_rises();
    void follow_jump(double surprise);
    void learn_fresh(std::int64_t now_ms);
    void learn_offset();
    void hear_offset();
    void learn_delay(double slower, double error);
    // T90 over what the level is, as far as the model is known.
    [[nodiscard]] LnKnown scale() const;
    // T90 over what it is `membrane_ln` (ln) more of where the response is a membrane's.
    [[nodiscard]] LnKnown t90_over(double membrane_ln) const;
    // `ln` if the response is a membrane's, with this probability, else 0.
    [[nodiscard]] static LnKnown if_membrane(double ln, double probability);
    // Since the level was last told; and as far as its slope is followed.
    [[nodiscard]] double days_since(std::int64_t at_ms) const;
    [[nodiscard]] double days_ahead(std::int64_t at_ms) const;

    Level level_;
    Batch steps_{};     // cleaning blasts and lifts into air: the cleaner half
    Batch declines_{};  // aeration switched off
    Batch rises_{};     // aeration switched on; seconds where the others have ln
    std::int64_t level_ms_ = 0;
    std::int64_t life_ms_ = 0;
    std::int64_t newest_ms_ = 0;
    std::int64_t newest_other_ms_ = 0;  // that was no rise
    std::uint32_t tests_ = 0;
    std::uint32_t batches_ = 0;
    std::uint32_t steps_batches_ = 0;  // at this position, ever
    // Blasts that were fitted as a whole: how many, and of T90 how much more the newest ones say (ln) where
    // the response is a membrane's.
    std::uint32_t blasts_ = 0;
    double membrane_ln_;
    double ends_found_part_ = 0.0;  // of these, of how many no bit told the ends
    // ln of the odds for the membrane, from blasts, from a fresh probe, and from its lag as neighbours tell
    // it; and of each of the declines so far, on average.
    double blast_evidence_ = 0.0, nominal_evidence_ = 0.0, neighbour_evidence_ = 0.0;
    double decline_evidence_ = 0.0;
    std::uint32_t declines_heard_ = 0;
    std::uint32_t unsure_declines_ = 0;  // since a batch was closed
    double membrane_probability_ = 0.5;  // by all of them
    double delay_told_ = 7.0;            // how well another probe has told the delay; standard deviation, s
    // How well the kind has told the lag from the tail, as a standard deviation, and what it told; and the
    // odds that declines beside the steps make of it, as above.
    double offset_told_ = 1.0, offset_told_ln_ = 0.0, offset_evidence_ = 0.0;
    double nominal_s_ = 0.0;
    double temperature_error_ = 0.0;  // of ln T90 at 20 degC
    double last_surprise_ = 0.0;
    bool fresh_known_ = false;
    bool life_known_ = false;
    bool declines_found_ = false;  // of the newest of these nothing told the moment
    double found_error_ = 0.0;     // of the newest batch, if it was of such: what all of them are off by
};

}  // namespace probekeeper::diagnosis

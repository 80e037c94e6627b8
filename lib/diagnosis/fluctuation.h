// The movement of the reading at several time scales, as a robust deviation of second differences (as
// Hadamard's, by quartiles), so that a steady rise or fall of the water counts for nothing. Kept by the hour,
// against the probe's own value when its membrane was fresh.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <span>

#include "diagnosis/samples.h"
#include "diagnosis/view.h"

namespace probekeeper::diagnosis {

class FluctuationWatch {
public:
    static constexpr std::size_t scales = 4;  // block averages of 1, 2, 4 and 8 readings

    void take(View const& view, bool disturbed);
    void interrupt();
    // Closes the hour that has passed; call at least hourly. `resolution` bounds what can be seen from below.
    void close_hour(std::int64_t now_ms, double resolution, double poll_s);
    // Another membrane; `fresh` if it is a new one, whose value can be learned - as far as it moves no more
    // than several times what the one before did: one with a wrinkle flutters from the first day.
    void new_life(std::int64_t now_ms, bool fresh);

    // Scale of the movement in the last day from one reading to the next, mg/L; empty until there are enough
    // hours.
    [[nodiscard]] std::optional<double> today() const { return today_; }
    // The same now: the day's is half a day old where it has grown since yesterday.
    [[nodiscard]] std::optional<double> now() const {
        return today_ ? std::optional{*today_ * grows_} : std::nullopt;
    }
    // What of that has come since the membrane was fresh; and what of it is too quick to have come through
    // the membrane: a loose one flutters behind it. The water's own movement grows over several readings, and
    // less from each to the next.
    struct Gained {
        double all = 0.0, flutter = 0.0;  // mg/L
        // A loose membrane moves in proportion to what it reads: what flutters, as it would at the level that
        // the fresh value was learned at. As it is, unless nearly all flutters.
        double at_usual_level = 0.0;
        [[nodiscard]] bool nearly_all_flutters() const;
    };
    [[nodiscard]] std::optional<Gained> gained() const { return gained_; }
    // Its standard error as a part of the value.
    [[nodiscard]] double today_error() const { return today_error_; }
    // The movement has leapt within hours to several times what it was, and stays there. How many times: 0 if
    // not.
    [[nodiscard]] double leapt() const;
    [[nodiscard]] std::int64_t leapt_ms() const { return leapt_ms_; }
    // The same of all hours since the leap, once it has lasted for half a day: 0 before.
    [[nodiscard]] double leapt_for_long() const;
    // How many times as much it moves since the leap by what is too quick to have come through the membrane,
    // beside what moved before.
    [[nodiscard]] double flutters_since_leap() const;
    // Before the leap it had already moved more than when fresh, by what flutters behind the membrane.
    [[nodiscard]] bool loosened_before_leap() const;
    // How many times as much as in the day before `from_ms` it has moved since; 0 where too few hours are
    // known.
    [[nodiscard]] double risen_since(std::int64_t from_ms) const;
    // What has moved since `from_ms` over what did in the day before, from one reading to the next alone: of
    // an output that rounds the longer time scales show the rounding. `flutter`: by what came behind the
    // membrane; `loose`: before, it moved more than when fresh already. All 0 where too few hours are known.
    struct Grown {
        double all = 0.0, flutter = 0.0;
        bool loose = false;
    };
    [[nodiscard]] Grown grown_since(std::int64_t from_ms) const;
    // The value of the fresh membrane at the same time scale, or else of the quieter days seen.
    [[nodiscard]] std::optional<double> fresh() const { return fresh_value_; }
    [[nodiscard]] bool fresh_learned() const { return fresh_learned_; }
    // The value of the membrane before at the same time scale, where the new one moved so much more from the
    // first day that the old one's bounds what counts as fresh.
    [[nodiscard]] std::optional<double> before() const { return before_value_; }
    // Standard deviation of a single reading at the finest scale.
    [[nodiscard]] double noise() const { return noise_; }
    [[nodiscard]] std::int64_t at_ms() const { return at_ms_; }

private:
    // Magnitudes in bins of a quarter octave from 2^-14 to 2^2 mg/L; quantiles come out of the counts.
    static constexpr std::size_t bins = 64;
    struct Scale {
        std::array<std::uint16_t, bins> counts{};
        std::uint32_t total = 0;
        double block_sum = 0.0;
        std::uint32_t in_block = 0;
        std::uint32_t blocks = 0;
        double last[2] = {0.0, 0.0};
    };
    static constexpr double unknown_error = 1.0;
    using ByScale = std::array<double, scales>;  // mg/L; 0: not known
    using Hours = std::array<double, 48>;
    struct Hour {
        std::int64_t end_ms = 0;
        float value = 0.0F;                    // all scales together
        std::array<float, scales> by_scale{};  // mg/L; 0: too few readings
    };
    void add(Scale& scale, std::uint32_t length, double value);
    [[nodiscard]] static double upper_quartile(Scale const& scale);
    [[nodiscard]] static double typical_bend(Scale const& scale, double resolution);
    void learn(ByScale const& day, std::int64_t now_ms);
    // Today against fresh. Asked for at every weighing, and different after an hour only.
    void compare(ByScale const& day);
    // Of the hours that ended between `from` and `to` hours before the newest, those that are known, in
    // `kept`.
    [[nodiscard]] std::span<double> hours_of(std::size_t scale, double from, double to, Hours& kept) const;
    // Their median; 0 where fewer are known. And of each scale.
    [[nodiscard]] double typical_of(std::size_t scale, double from, double to, std::size_t fewest) const;
    [[nodiscard]] ByScale scales_between(double from, double to, std::size_t fewest) const;
    [[nodiscard]] double growth_of(ByScale const& day) const;
    [[nodiscard]] ByScale fresh_by_scale() const;
    [[nodiscard]] Gained gained_of(ByScale const& day, ByScale const& fresh) const;
    [[nodiscard]] double error_of(std::size_t scale) const;
    [[nodiscard]] ByScale before_leap() const;
    // How many times as much as before it moves since, by what came behind the membrane.
    [[nodiscard]] double flutters(ByScale const& since, ByScale const& before) const;
    // It moved more than when fresh, by what flutters behind the membrane.
    [[nodiscard]] bool loosened(ByScale const& before) const;
    void follow_level();
    void watch_for_leap();
    // Median of the hours that ended between `from` and `to` hours before the newest; 0 where too few.
    [[nodiscard]] double hours_between(double from, double to, std::size_t fewest) const;
    // The same of `span` hours, of which the last is the newest known one of that age or more.
    [[nodiscard]] double hours_before(double age, double span, std::size_t fewest) const;
    // The age of that one; NaN: none.
    [[nodiscard]] double known_before(double age) const;
    [[nodiscard]] double age_h(Hour const& h) const;

    std::array<Scale, scales> scales_{};
    Ring<Hour, 48> hours_;
    std::int64_t hour_ms_ = 0;
    std::int64_t at_ms_ = 0;
    std::int64_t life_ms_ = 0;
    std::int64_t leapt_ms_ = 0;
    double before_leap_ = 0.0;
    std::array<float, scales> before_leap_by_scale_{};
    double noise_ = 0.01;
    // Squares of what was read while the movement was measured: their sum in this hour and of how many, their
    // mean over about a day, and when the fresh value was learned; 0: not known.
    float hour_squares_ = 0.0F;
    std::uint32_t hour_count_ = 0;
    float level_squares_ = 0.0F, usual_squares_ = 0.0F;
    ByScale fresh_{};
    ByScale most_fresh_{};  // what can be of a fresh membrane, by the one before it; 0: not known
    // As compared when the hour was closed.
    double grows_ = 1.0;
    std::optional<double> today_, fresh_value_, before_value_;
    std::optional<Gained> gained_;
    double today_error_ = unknown_error;
    Ring<std::array<float, scales>, 32> days_;  // one a day, of this membrane
    std::int64_t day_ms_ = 0;                   // when the newest of them was kept
    std::uint32_t base_ = 0;                    // the time scale that a flutter is told at
    bool fresh_learned_ = false;
    bool life_known_ = false;
};

}  // namespace probekeeper::diagnosis

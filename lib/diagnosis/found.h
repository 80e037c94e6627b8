// What rises tell together whose moment was found in the readings, because no bit declared it. They tell
// little: the aerator's own delay is in them, and what the load does to the water passes for some of the
// probe. So they never make a probe good and never give its T90; they may name a slow response, and they put
// a verification off for as long as, within the days that evidence lasts, those of some five days together
// told on which side of its limit the response is: with less than one chance in ten that it is past it, or
// the certainty that a ticket needs.
#pragma once

#include <array>
#include <cstdint>
#include <optional>

#include "diagnosis/response.h"
#include "diagnosis/samples.h"

namespace probekeeper::diagnosis {

// T90 out of the lag of one found rise, less what is usually the aerator's; s, in water of its temperature.
[[nodiscard]] double t90_of_found_s(double late_s);

class FoundLag {
public:
    // A rise that is good enough to use. `ln_to_20`: what the typical temperature law adds to ln T90 to bring
    // it to 20 degC. `saturation`: of this water, in the unit of the reading.
    void take(std::int64_t time_ms, double ln_to_20, ResponseFit const& fit, double saturation);
    // Whether rises can be corrected to 20 degC.
    void temperature_known(bool known) { temperature_known_ = known; }
    // Closes a day that is over, even if no further rise comes.
    void settle(std::int64_t now_ms);
    // Another membrane, and `fresh` if it is a new one.
    void new_life(std::int64_t now_ms, bool fresh);
    // A wipe: what the rises said before it is over.
    void wiped() { forget_days(); }

    // Today's ln T90 at 20 degC, and what it has gained on the fresh membrane's own found rises (`ln_ratio`,
    // in which what is wrong of both alike cancels). Standard deviations beside them. Empty while the rises
    // of the last days are too few, or too old.
    struct Known {
        double ln_t90 = 0.0, error = 0.0;
        std::optional<double> ln_ratio;
        double ratio_error = 0.0;
    };
    [[nodiscard]] std::optional<Known> known(std::int64_t now_ms) const;
    // When the newest day of rises closed; 0: none.
    [[nodiscard]] std::int64_t newest_ms() const { return days_.empty() ? 0 : days_.back().at_ms; }

private:
    struct Day {
        std::int64_t at_ms = 0;  // of its last rise
        float ln_late = 0.0F;    // at 20 degC, the median
        float scatter = 0.0F;    // standard error of that, from how they differ
        float fit_error = 0.0F;  // what a typical one believes of itself, in ln
        float ln_height = 0.0F;  // of the rises over saturation
        float ln_to_20 = 0.0F;   // the mean
        std::uint32_t count = 0;
    };
    static constexpr std::size_t most_days = 5;
    // Some days together.
    struct Level {
        double ln_lag = 0.0;  // less the aerator's part
        double scatter = 0.0, fit_error = 0.0, aerator_error = 0.0;
        double ln_height = 0.0;
        std::uint32_t count = 0;
    };
    void close();
    void forget_days();
    void learn_fresh();
    [[nodiscard]] Level level() const;

    static constexpr std::size_t most_rises = 24;
    std::array<float, most_rises> ln_late_{}, error_{}, ln_height_{};
    float ln_to_20_ = 0.0F;  // sum
    std::uint32_t count_ = 0;
    std::int64_t first_ms_ = 0, last_ms_ = 0;
    Ring<Day, most_days> days_;
    Level fresh_;
    std::int64_t life_ms_ = 0;
    bool life_known_ = false, fresh_known_ = false;
    bool temperature_known_ = true;
};

}  // namespace probekeeper::diagnosis

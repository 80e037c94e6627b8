// How a device behaves, whatever the probe and the water do: how often its value really changes, where it
// clips, whether it freezes while it cleans, how much it damps, and which of its bits ever move. It decides
// what a position's readings can tell; see Suitability in verdict.h.
#pragma once

#include <cstdint>
#include <optional>

#include "base/reading.h"
#include "diagnosis/verdict.h"
#include "diagnosis/view.h"

namespace probekeeper::diagnosis {

class HabitsWatch {
public:
    // `t90_s`: today's best idea of the probe's T90 in this water. `disturbed`: an exposure or an edge of the
    // aeration still shows.
    void take(View const& view, Reading const& reading, double t90_s, bool disturbed);
    // After a gap what was before is no neighbour of what comes.
    void interrupt() { last_ms_ = 0; }

    [[nodiscard]] std::optional<double> reading_interval_s() const;
    // From the readings just after exposures, which all should differ; empty until enough have been seen.
    [[nodiscard]] std::optional<double> update_interval_s() const;
    [[nodiscard]] std::optional<bool> frozen_while_cleaning() const;
    // Zeros again and again and never anything below; empty where the reading has not come to zero.
    [[nodiscard]] std::optional<bool> clips_at_zero() const;
    // The highest value, where it has been read so often, and so much oftener than the next one below it,
    // that it is the end of a range; mg/L.
    [[nodiscard]] std::optional<double> clips_at() const;
    // Time constant of an output filter, from how the noise of neighbouring readings hangs together
    // (differences of white noise have a correlation of -1/2, behind a first-order filter of (phi - 1) / 2).
    // Empty where the noise is not to be seen, or white.
    [[nodiscard]] std::optional<double> damping_s(double resolution) const;
    [[nodiscard]] BitHabit habit(Mark mark) const;

private:
    void learn_interval(double s);
    void learn_updates(View const& view, double t90_s);
    void learn_leaps(View const& view);
    void learn_ends(double value);
    void learn_noise(double value, bool disturbed);
    [[nodiscard]] double usual_step() const;

    std::int64_t last_ms_ = 0;
    std::int64_t exposed_ms_ = 0;  // newest exposed reading
    double last_value_ = 0.0, last_step_ = 0.0;
    double interval_s_ = 0.0;
    double highest_ = 0.0, next_ = 0.0;              // that were read
    double step_square_ = 0.0, step_product_ = 0.0;  // running sums over quiet readings
    std::uint32_t steps_ = 0;
    std::uint32_t moving_ = 0, moved_ = 0;
    std::uint32_t cleaning_ = 0, cleaning_same_ = 0;
    std::uint32_t blasts_ = 0, blasts_leapt_ = 0;  // by their first reading
    std::uint32_t zeros_ = 0, below_zero_ = 0, highest_count_ = 0, next_count_ = 0;
    std::uint16_t known_ = 0, seen_on_ = 0, seen_off_ = 0;
    bool last_cleaning_ = false;
};

}  // namespace probekeeper::diagnosis

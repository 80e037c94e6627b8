// How long things last, from lives of which some have not ended: the product-limit estimate, which assumes
// nothing of their shape, and a Weibull distribution by maximum likelihood, which can say what comes after.
#pragma once

#include <optional>
#include <span>
#include <vector>

namespace probekeeper::estimate {

// A life of `length` > 0, in any unit. `ended`: by what is studied; else it still went on when it was last
// looked at, or ended for another cause (censored).
struct Life {
    double length = 0.0;
    bool ended = false;
};

// The estimate just after a length at which lives ended.
struct SurvivalStep {
    double length = 0.0;
    int at_risk = 0;  // lives that had come this far
    int ended = 0;
    double survival = 1.0;         // share that lasts longer than `length`
    double error = 0.0;            // standard error, Greenwood 1926
    double low = 0.0, high = 1.0;  // 90 %, on the scale of ln(-ln S), so that they stay within 0 and 1
};

// Kaplan and Meier 1958: one step a distinct length at which any ended, in rising order. Of lives of the same
// length the ended ones count before the censored. Lives that are not longer than 0 are left out.
[[nodiscard]] std::vector<SurvivalStep> kaplan_meier(std::span<Life const> lives);

// The shortest length that no more than half outlast; empty where more than half outlast all that was seen.
[[nodiscard]] std::optional<double> median(std::span<SurvivalStep const> steps);

struct Weibull {
    double shape = 1.0;  // below 1: early failures; above: wear
    double scale = 1.0;  // the length that 1/e outlast, in the unit of the lives
    // Standard errors of the logarithms, from the observed information; 0 where the parameters were given.
    double ln_shape_error = 0.0, ln_scale_error = 0.0;
    double log_likelihood = 0.0;

    [[nodiscard]] double survival(double length) const;
    [[nodiscard]] double mean() const;
    [[nodiscard]] double quantile(double share_ended) const;  // of 0..1
    // That one which has lasted `age` ends within `further`.
    [[nodiscard]] double ends_within(double age, double further) const;
};

// What is held of shape and scale before any life was seen: normal in their logarithms.
struct WeibullPrior {
    double ln_shape = 0.0, ln_shape_error = 1.0;
    double ln_scale = 0.0, ln_scale_error = 1.0;
};

// By maximum likelihood. Empty where fewer than two lives of different length have ended: then the lives do
// not tell shape from scale.
[[nodiscard]] std::optional<Weibull> fit_weibull(std::span<Life const> lives);

// The most likely one under a prior; with no lives at all it is the prior's middle.
[[nodiscard]] Weibull fit_weibull(std::span<Life const> lives, WeibullPrior const& prior);

}  // namespace probekeeper::estimate

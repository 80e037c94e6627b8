#include "diagnosis/fall_doubts.h"

#include <algorithm>
#include <cmath>

#include "diagnosis/pulse.h"
#include "electrode/first_order.h"

namespace probekeeper::diagnosis {
namespace {

// mg/L a second, some times what the hungriest activated sludge takes up (common practice, no source).
constexpr double water_falls_s = 0.1;
// Falls that are slower than the probe was thought to be are alike to within so much of ln, and so many of
// them in a row are its own. Guesses.
constexpr double falls_alike = 0.35;
constexpr std::uint32_t enough_falls_alike = 5;

}  // namespace

// A guess: a probe does not slow by half between two tests, and water falls more slowly than any probe; but
// never so quickly as `water_falls_s`, however little is known of the probe. Where it was too quick to be
// tested before, it slows unseen: water falls each time as its load lets it, and falls that are all as long
// are the probe's.
bool SlowFalls::by_water(ResponseFit const& fit, double t90_guess_s) {
    bool const slow = fit.tau_s * electrode::first_order_t90_over_tau > 1.6 * t90_guess_s;
    if (!slow || std::abs(fit.step) >= water_falls_s * fit.tau_s) {
        slow_alike_ = 0;
        return false;
    }
    bool const alike = slow_alike_ > 0 && std::abs(std::log(fit.tau_s / slow_tau_s_)) < falls_alike;
    slow_alike_ = alike ? std::min(slow_alike_ + 1, enough_falls_alike) : 1U;
    slow_tau_s_ = fit.tau_s;
    return slow_alike_ < enough_falls_alike;
}

// What the water moves by itself during a test hangs together, and bends the fall as no scatter does: tenths
// of it were found in T90 of simulated blasts in tanks whose aerators switch, where the fits said a tenth.
void own_up_to_moving_water(ResponseFit& fit, double noise) {
    constexpr double bends = 5.0;       // ln T90 for what is left, as a part of the step
    constexpr double most_left = 0.04;  // beyond it a fit says more of the water than of the probe
    double const left =
        std::sqrt(std::max(fit.residual * fit.residual - noise * noise, 0.0)) / std::abs(fit.step);
    fit.ln_error = std::hypot(fit.ln_error, bends * left);
    if (fit.set_aside.empty() && left > most_left) {
        fit.set_aside = "the water moved by itself meanwhile";
    }
}

// The flush lengthens the tail of a quick probe by a good part of itself, and a slope of the water that
// nobody saw before the step bends that of a slow one by as much: sixteen simulated lifts were off by 2.7 s,
// quick and slow ones alike, where their fits said a twenty-fifth.
void own_up_to_flush(ResponseFit& fit) {
    constexpr double part = 0.6;  // a guess
    fit.ln_error = std::hypot(fit.ln_error, part * usual_flush_s / std::max(fit.tau_s, 1.0));
}

// The aerator's delay does not age. Where the water fell so long after it, something else kept it up, or the
// bit told of another stop. Beside a slow probe the two are told apart less well.
bool runs_on(ResponseFit const& decline, double delay_s, double delay_error_s) {
    constexpr double far_off = 4.0, of_lag = 0.3;  // guesses
    return decline.onset_s > delay_s + far_off * delay_error_s + of_lag * decline.tau_s;
}

// Such a blast is a step of unknown height, and what lies between the part that air reached and the rest has
// a time of its own. In water that is near air already, an error of span would look like it.
bool reached_in_part(AirStep const& step, ResponseFit const& fit, ProbeKnown const& known) {
    constexpr double part = 0.6, far_from_air = 0.5;
    double const way = known.in_air * step.saturation - step.base;
    bool const told = step.told_blast() && known.saturation_known;
    return told && !output_froze(fit, known) && way > far_from_air * step.saturation &&
           fit.area < part * way * step.length_s();
}

}  // namespace probekeeper::diagnosis

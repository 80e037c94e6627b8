#include "diagnosis/whole_blast.h"

#include <algorithm>
#include <cmath>
#include <optional>

#include "diagnosis/pulse.h"

namespace probekeeper::diagnosis {
namespace {

// When it began and ended, by its readings, where no bit tells: it began between two of them, and its end is
// beside the highest one. Of a slow membrane that comes later than the end, and the first one later than the
// begin.
std::optional<Pulse> found_pulse(std::span<FitPoint const> points, double base, double t90_guess_s) {
    constexpr double later_part = 0.1;  // of T90. A guess
    auto const top =
        std::find_if(points.begin(), points.end(), [](FitPoint const& p) { return p.t_s >= 0.0; });
    if (top == points.begin() || top == points.end() || top + 1 == points.end()) {
        return std::nullopt;
    }
    auto low = top;
    while (low != points.begin() && low->value - base > on_the_way_from * (top->value - base)) {
        --low;
    }
    if (low == points.begin() || low + 1 == top) {
        return std::nullopt;  // nothing is seen of the way up
    }
    double const later_s = later_part * t90_guess_s;
    double const evenly = std::sqrt(12.0);
    Pulse pulse;
    pulse.begin_s = 0.5 * (low->t_s + (low + 1)->t_s) - later_s;
    pulse.begin_gap_s = std::hypot((low + 1)->t_s - low->t_s, evenly * later_s);
    pulse.end_gap_s = std::hypot((top + 1)->t_s - (top - 1)->t_s, evenly * later_s);
    return pulse;
}

Pulse told_pulse(std::span<FitPoint const> points, AirStep const& step) {
    auto const after =
        std::find_if(points.begin(), points.end(), [](FitPoint const& p) { return p.t_s > 0.0; });
    double const begin_s = s_between(step.end_ms, step.begin_ms);
    double const first_s = s_between(step.end_ms, step.first_ms);
    Pulse pulse;
    pulse.begin_s = 0.5 * (begin_s + first_s);
    pulse.begin_gap_s = first_s - begin_s;
    pulse.end_gap_s = after == points.end() ? 0.0 : 2.0 * after->t_s;
    return pulse;
}

}  // namespace

void fit_whole(std::span<FitPoint const> points, AirStep const& step, ProbeKnown const& known,
               ResponseFit& fit) {
    bool const found = !step.declared && !step.by_hand;
    bool const blast = found || step.source == TestSource::cleaning;
    if (!blast || !fit.set_aside.empty() || std::isnan(step.base)) {
        return;
    }
    auto pulse = found ? found_pulse(points, step.base, known.t90_guess_s) : told_pulse(points, step);
    if (!pulse) {
        return;
    }
    pulse->way = step.saturation - step.base;
    pulse->frozen = output_froze(fit, known);
    auto const whole = fit_pulse(points, *pulse, fit.tau_s, known.noise);
    if (!std::isnan(whole.ln_membrane)) {
        fit.ln_t90_first_order = whole.ln_first_order;
        fit.ln_t90_membrane = whole.ln_membrane;
        fit.membrane_evidence = whole.membrane_evidence;
        fit.ln_error = whole.ln_error;
        fit.ends_found = found;
    }
}

}  // namespace probekeeper::diagnosis

#include "diagnosis/suitability.h"

#include <string>

namespace probekeeper::diagnosis {
namespace {

std::string why_not_slow(Diagnosis const& d) {
    if (!d.t90) {
        return d.t90_unknown;
    }
    return d.t90->fresh_s
               ? ""
               : "nothing says how quick it is when fresh: configure t90_s, or record a membrane change";
}

std::string why_not_background(Diagnosis const& d, Suitability const& s) {
    if (!d.background) {
        return d.background_unknown;
    }
    return s.clips_at_zero.value_or(false) && d.background->source == BackgroundSource::anoxic_floor
               ? "the device shows nothing below zero, so a background below zero stays hidden"
               : "";
}

std::string why_not_fluctuation(Diagnosis const& d) {
    if (!d.fluctuation) {
        return d.fluctuation_unknown;
    }
    return d.fluctuation->fresh_mg_l ? "" : "not enough days yet to know its quiet movement";
}

std::string why_not_stuck(ProbeState const& state) {
    return state.liveness.resolution() > 0.0 ? "" : "the resolution of the reading is not known yet";
}

std::string why_not_cleaning(ProbeState const& state) {
    return state.blasts_shown >= fewest_blasts
               ? ""
               : "too few cleaning blasts have been seen to reach the membrane";
}

}  // namespace

Suitability suitability(ProbeState const& state, ProbeSetup const& setup, Diagnosis const& d) {
    Suitability s;
    double const resolution = state.liveness.resolution();
    s.reading_interval_s = state.habits.reading_interval_s();
    s.update_interval_s = state.habits.update_interval_s();
    if (resolution > 0.0 && state.in_mg_l) {
        s.resolution_mg_l = resolution;
    }
    s.clips_at_zero = state.habits.clips_at_zero();
    s.clips_at_mg_l = state.habits.clips_at();
    s.frozen_while_cleaning = state.habits.frozen_while_cleaning();
    s.damping_s = state.habits.damping_s(resolution);
    s.cleaning = state.habits.habit(mark_cleaning);
    s.aeration = state.habits.habit(mark_aeration);
    s.hold = state.habits.habit(mark_hold);
    s.fault = state.habits.habit(mark_fault);
    std::string const no_neighbours =
        setup.neighbours.empty() ? "no neighbour in the same water to compare it with" : "";
    s.reasons = {
        {Reason::slow_response, why_not_slow(d)},
        {Reason::background, why_not_background(d, s)},
        {Reason::fluctuation, why_not_fluctuation(d)},
        {Reason::span_error, d.span ? "" : d.span_unknown},
        {Reason::temperature_fault, state.temperature_seen ? no_neighbours : "no temperature is read"},
        {Reason::stuck, why_not_stuck(state)},
        {Reason::cleaning_failed, why_not_cleaning(state)}};
    return s;
}

}  // namespace probekeeper::diagnosis

#include "diagnosis/air_edges.h"

#include <algorithm>
#include <cmath>

#include "diagnosis/fall_doubts.h"
#include "diagnosis/piece.h"
#include "electrode/first_order.h"

namespace probekeeper::diagnosis {
namespace {

constexpr double rise_every_s = 2.0 * 3600.0;

// Where noise lets a fit say anything, those that say much would seem the better ones for their own size.
void doubt_by_expected(ResponseFit& fit, ProbeKnown const& known) {
    constexpr double worst_part = 0.5;
    double const expected_s = known.t90_guess_s / electrode::first_order_t90_over_tau + known.delay_s;
    if (fit.set_aside.empty() &&
        !(fit.late_error_s < worst_part * std::sqrt(fit.late_s * std::max(expected_s, 1.0)))) {
        fit.set_aside = too_uncertain;
    }
}

}  // namespace

void AirEdges::take(View const& view, double t90_guess_s, std::int64_t last_ms,
                    std::int64_t exposed_until_ms) {
    air_fall_.take(view.time_ms, view.airflow);
    if (view.aerated == aerated_) {
        return;
    }
    bool const switched = aerated_ != Aerated::unknown && view.aerated != Aerated::unknown;
    bool const on = view.aerated == Aerated::on;
    bool const lasted = s_between(since_ms_, view.time_ms) > 180.0;
    if (switched) {
        edge_ms_ = view.time_ms;
    }
    bool const quiet = !view.exposed && view.time_ms > exposed_until_ms + as_ms(3.0 * t90_guess_s);
    // Rises tell less than what they cost; a few a day do.
    bool const wanted = !on || rise_ms_ == 0 || view.time_ms - rise_ms_ > as_ms(rise_every_s);
    if (switched && lasted && quiet && wanted) {
        auto& edge = on ? rise_ : decline_;
        edge = {true,
                on ? TestSource::aeration_on : TestSource::aeration_off,
                (last_ms + view.time_ms) / 2,
                view.time_ms + as_ms(900.0),
                view.value,
                view.saturation};
        rise_ms_ = on ? view.time_ms : rise_ms_;
    }
    aerated_ = view.aerated;
    since_ms_ = view.time_ms;
}

std::optional<Candidate> AirEdges::finish(View const& view, ProbeKnown const& known, Samples const& samples) {
    auto test = finish(decline_, view, known, samples);
    return test ? test : finish(rise_, view, known, samples);
}

// The air has changed again.
bool AirEdges::turned(Edge const& edge) const {
    return aerated_ != (edge.source == TestSource::aeration_on ? Aerated::on : Aerated::off);
}

bool AirEdges::is_over(Edge const& edge, View const& view) const {
    bool const on = edge.source == TestSource::aeration_on;
    return turned(edge) || view.time_ms >= edge.deadline_ms ||
           (!on && view.value < 0.9 * decline_down_to * edge.level);
}

std::optional<Candidate> AirEdges::finish(Edge& edge, View const& view, ProbeKnown const& known,
                                          Samples const& samples) const {
    if (!edge.active || !is_over(edge, view)) {
        return std::nullopt;
    }
    edge.active = false;
    bool const on = edge.source == TestSource::aeration_on;
    auto const to_ms = turned(edge) ? edge_ms_ - 1 : view.time_ms;
    auto const stopped_ms = on ? std::nullopt : air_fall_.stopped_ms(edge.at_ms);
    auto const at_ms = stopped_ms.value_or(edge.at_ms);
    auto const piece = cut(samples, at_ms - as_ms(120.0), at_ms, to_ms);
    double const delay_error_s = std::max(known.delay_error_s, 7.0);
    Candidate candidate;
    candidate.time = from_unix_ms(at_ms);
    candidate.air_timed = stopped_ms.has_value();
    candidate.source = edge.source;
    candidate.fit = on ? fit_rise(piece.span(), known.delay_s, delay_error_s, known.noise, edge.saturation)
                       : fit_decline(piece.span(), known.delay_s, delay_error_s, known.noise, edge.saturation,
                                     known.membrane_probability, known.zero);
    doubt_by_expected(candidate.fit, known);
    if (!on && runs_on(candidate.fit, known.delay_s, delay_error_s)) {
        candidate.fit.set_aside = "the water began to fall long after the air stopped";
    }
    candidate.temperature_c = view.temperature_c;
    return candidate;
}

}  // namespace probekeeper::diagnosis

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <cmath>

#include "diagnosis/cases.h"
#include "diagnosis/hole.h"
#include "diagnosis/probe.h"
#include "diagnosis/suitability.h"

namespace probekeeper::diagnosis {
namespace {

constexpr double normal_90 = 1.6448536269514722;
constexpr double day_ms = 86'400'000.0;
constexpr double worst_span_error = 5.0;  // percent, standard deviation: a level no better known is not given

std::string date_of(std::int64_t time_ms) {
    return to_rfc3339(from_unix_ms(time_ms)).substr(0, 10);
}
std::string minute_of(std::int64_t time_ms) {
    auto const text = to_rfc3339(from_unix_ms(time_ms));
    return text.substr(0, 10) + " " + text.substr(11, 5) + " UTC";
}

std::string times_fresh(double value, double fresh, bool learned) {
    return learned ? fmt::format("{:.1f} times its {:.0f} s when freshly serviced", value / fresh, fresh)
                   : fmt::format("{:.1f} times the {:.0f} s expected of it when freshly serviced",
                                 value / fresh, fresh);
}

std::string slow_text(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms, Case const& c) {
    if (!c.value || !c.limit) {
        return "The response is slow";
    }
    double const fresh = *c.limit / setup.limits.t90_ratio;
    auto const limit = slow_limit(state, setup);
    bool const learned = limit && limit->learned;
    if (c.by_found) {
        auto const found = state.found.known(now_ms);
        return fmt::format(
            "Rises of the oxygen put T90 near {:.0f} s, {}; their moments were found in the readings, "
            "so this is rough",
            *c.value, times_fresh(*c.value, fresh, (found && found->ln_ratio) || learned));
    }
    auto text = fmt::format("T90 is {:.0f} s, {}", *c.value, times_fresh(*c.value, fresh, learned));
    if (c.probability < 0.5) {
        auto const ahead = crossing(state, setup, now_ms);
        text += ahead ? fmt::format("; at its present rate it passes {:.0f} s on {}", *c.limit,
                                    date_of(ahead->due_ms))
                      : fmt::format("; its limit of {:.0f} s is near", *c.limit);
    }
    return text;
}

std::string background_text(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms) {
    auto const known = background_known(state, setup, now_ms);
    if (!known) {
        return "It reads oxygen where there is none";
    }
    if (known->source == BackgroundSource::dry_zero) {
        return fmt::format("It read {:.2f} mg/L dry, where a clean probe reads zero", known->level);
    }
    if (std::abs(known->level) < known->limit) {
        return fmt::format(
            "It read more than {:.2f} mg/L where the water holds no oxygen; it reads {:.2f} mg/L there now",
            known->limit, std::round(100.0 * known->level) / 100.0 + 0.0);  // of nothing no "-0.00"
    }
    return fmt::format("It reads {:.2f} mg/L where the water holds no oxygen", known->level);
}

std::string fluctuation_text(ProbeState const& state, Case const& c) {
    auto const fresh = state.fluctuation.fresh();
    if (!c.value || !fresh) {
        return "The reading fluctuates";
    }
    auto const before = state.fluctuation.before();
    auto const standard = before                              ? "with the membrane before"
                          : state.fluctuation.fresh_learned() ? "when its membrane was new"
                                                              : "on its quieter days";
    auto text = fmt::format("The reading moves by {:.3f} mg/L, {:.1f} times as much as {}", *c.value,
                            *c.value / before.value_or(*fresh), standard);
    if (state.neighbours_ratio > 0.0) {
        text += "; its neighbours do not show this";
    }
    return text;
}

std::string damage_text(ProbeState const& state) {
    if (state.liveness.high_since_ms() != 0) {
        return fmt::format("Since {} it reads far above anything this water showed before",
                           minute_of(state.liveness.high_since_ms()));
    }
    if (state.fluctuation.leapt_ms() != 0) {
        return fmt::format("On {} its reading began within hours to move {:.1f} times as much as before",
                           minute_of(state.fluctuation.leapt_ms()), state.fluctuation.leapt());
    }
    bool const by_height = state.hole_by_movement_ms == 0 && state.hole_by_floor_ms == 0;
    if (by_height && state.hole_by_height_ms != 0 && state.in_air > std::sqrt(far_step)) {
        return fmt::format(
            "About {} its reading leapt up within hours, and in air it reads too high since, too",
            minute_of(state.hole_by_height_ms));
    }
    if (by_height && state.hole_moves_mg_l > 0.0) {
        return fmt::format(
            "About {} its reading leapt up within hours, and has fluttered since far more than before",
            minute_of(state.hole_by_height_ms));
    }
    auto const or_told = [&](std::int64_t since_ms) {
        return minute_of(since_ms != 0 ? since_ms : tracker(state, Reason::membrane_damage).over_ms());
    };
    auto const now = state.background.floor(state.last_ms);
    bool const floor_up = now && now->level > 0.2;
    if (!floor_up && (state.hole_by_movement_ms != 0 || state.hole_by_floor_ms == 0)) {
        return fmt::format(
            "On {} its reading began within hours to move far more than before; it does so no longer",
            or_told(state.hole_by_movement_ms));
    }
    return fmt::format(
        "On {} its lowest and its highest readings leapt up together within hours, as through a hole; {}",
        or_told(state.hole_by_floor_ms),
        floor_up ? fmt::format("where the water holds no oxygen it has read {:.2f} mg/L since", now->level)
                 : "its lowest are down again");
}

std::string stuck_text(ProbeState const& state) {
    auto const stuck = state.liveness.stuck();
    if (!stuck) {
        return "It repeated one value without any movement; it moves again";
    }
    return stuck->creeps
               ? fmt::format("Since {} its output has moved as little as its thermometer alone would move it",
                             minute_of(stuck->since_ms))
               : fmt::format("It has repeated {:.2f} {} since {} without any movement", stuck->value,
                             stuck->unit, minute_of(stuck->since_ms));
}

std::string text_of(Reason reason, ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms,
                    Case const& c) {
    switch (reason) {
        case Reason::slow_response:
            return slow_text(state, setup, now_ms, c);
        case Reason::background:
            return background_text(state, setup, now_ms);
        case Reason::fluctuation:
            return fluctuation_text(state, c);
        case Reason::span_error:
            return fmt::format("It reads {:.1f} % in air, where 100 % would be right",
                               c.value.value_or(100.0));
        case Reason::reference_disagreement:
            return fmt::format("It read {:+.2f} mg/L against the portable meter beside it",
                               c.value.value_or(0.0));
        case Reason::temperature_fault:
            return fmt::format(
                "Its temperature of {:.1f} degC is impossible or contradicted by its neighbours",
                state.last_temperature_c);
        case Reason::no_signal:
            return state.liveness.zero_since_ms() == 0
                       ? std::string{"It read zero where this water is never so long without oxygen; it reads again"}
                       : fmt::format(
                             "It has read zero since {}, where this water is never so long without oxygen",
                             minute_of(state.liveness.zero_since_ms()));
        case Reason::membrane_damage:
            return damage_text(state);
        case Reason::stuck:
            return stuck_text(state);
        case Reason::no_communication:
            return state.last_ms == 0
                       ? std::string{"It has never given a good reading"}
                       : fmt::format("It has given no good reading since {}", minute_of(state.last_ms));
        case Reason::not_settled:
            if (c.by_neighbours) {
                return fmt::format(
                    "It reads {:.0f} % of what is read beside it since its membrane was changed, and agreed "
                    "with "
                    "that before: calibrate it in air once it is at rest",
                    c.value.value_or(100.0));
            }
            return c.value ? fmt::format(
                                 "It reads {:.0f} % in air since its membrane was changed: calibrate it "
                                 "in air once it is at rest",
                                 *c.value)
                           : "The reading has not come to rest after service: look for a wrinkle or a bubble "
                             "under the membrane";
        case Reason::cleaning_failed:
            if (state.blasts_missed < fewest_blasts) {
                return "Of its cleaning blasts a run did not reach the membrane; only the newest do again";
            }
            return fmt::format("The last {} cleaning blasts did not reach the membrane", state.blasts_missed);
        case Reason::verification_due:
            if (unchecked_since_return(state)) {
                return fmt::format("It came back into use at {} and nothing has tested it since",
                                   minute_of(state.returned_ms));
            }
            if (state.found.known(now_ms)) {
                return fmt::format(
                    "Nothing has tested this probe for {:.0f} days but rises of the oxygen whose moments "
                    "were found in the readings, and these leave open whether it is slow",
                    setup.limits.evidence_days);
            }
            return fmt::format("Nothing has tested this probe for {:.0f} days", setup.limits.evidence_days);
    }
    return {};
}

Case case_of(Reason reason, ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms) {
    switch (reason) {
        case Reason::slow_response:
            return slow_case(state, setup, now_ms);
        case Reason::background:
            return background_case(state, setup, now_ms);
        case Reason::fluctuation:
            return fluctuation_case(state, setup);
        case Reason::span_error:
            return span_case(state, setup);
        case Reason::reference_disagreement:
            return reference_case(state, setup);
        case Reason::not_settled:
            return settled_case(state, setup, now_ms);
        case Reason::temperature_fault:
        case Reason::no_signal:
        case Reason::membrane_damage:
        case Reason::stuck:
        case Reason::no_communication:
        case Reason::cleaning_failed:
        case Reason::verification_due:
            return {};
    }
    return {};
}

// Of what is plain from the readings the beginning is known better than when it was weighed. 0: of the
// others, and where it has ended meanwhile.
std::int64_t since_ms(Reason reason, ProbeState const& state) {
    switch (reason) {
        case Reason::no_signal:
            return state.liveness.zero_since_ms();
        case Reason::membrane_damage:
            return state.liveness.high_since_ms() != 0 ? state.liveness.high_since_ms()
                   : state.hole_by_movement_ms != 0    ? state.hole_by_movement_ms
                   : state.hole_by_floor_ms != 0       ? state.hole_by_floor_ms
                                                       : state.hole_by_height_ms;
        case Reason::stuck: {
            auto const stuck = state.liveness.stuck();
            return stuck ? stuck->since_ms : 0;
        }
        case Reason::no_communication:
            return state.last_ms;
        case Reason::slow_response:
        case Reason::background:
        case Reason::fluctuation:
        case Reason::span_error:
        case Reason::reference_disagreement:
        case Reason::temperature_fault:
        case Reason::not_settled:
        case Reason::cleaning_failed:
        case Reason::verification_due:
            return 0;
    }
    return 0;
}

Finding finding_of(Reason reason, ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms) {
    auto const& stands = tracker(state, reason);
    auto const numbers = case_of(reason, state, setup, now_ms);
    Finding f;
    f.reason = reason;
    f.raised_at = from_unix_ms(stands.raised_ms());
    f.value = numbers.value;
    f.low = numbers.low;
    f.high = numbers.high;
    f.limit = numbers.limit;
    f.unit = std::string{numbers.unit};
    f.probability = stands.probability();
    f.text = text_of(reason, state, setup, now_ms, numbers);
    auto const known_since = since_ms(reason, state);
    auto const over = known_since != 0 ? known_since : stands.over_ms();
    bool const still_ahead =
        reason == Reason::slow_response && numbers.probability >= 0.0 && numbers.probability < 0.5;
    if (still_ahead) {
        auto const ahead = crossing(state, setup, now_ms);
        f.due = ahead ? std::optional{from_unix_ms(ahead->due_ms)} : std::nullopt;
    } else if (over != 0) {
        f.since = from_unix_ms(over);
    }
    return f;
}

std::string why_no_t90(ProbeState const& state, std::int64_t now_ms) {
    auto const found = state.found.known(now_ms);
    if (!found) {
        return "no cleaning, lift into air or aeration edge has tested the response yet";
    }
    return fmt::format(
        "only rises of the oxygen whose moments were found in the readings have tested the response: "
        "they put it between {:.0f} and {:.0f} s",
        std::exp(found->ln_t90 - normal_90 * found->error),
        std::exp(found->ln_t90 + normal_90 * found->error));
}

void explain_t90(Diagnosis& d, ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms) {
    auto const known = response_known(state, now_ms);
    if (!known) {
        d.t90_unknown = why_no_t90(state, now_ms);
        return;
    }
    auto const limit = slow_limit(state, setup);
    auto const told = limit ? beside_fresh(*known, *limit) : *known;
    T90 t;
    t.value_s = std::exp(told.ln_t90);
    t.low_s = std::exp(told.ln_t90 - normal_90 * told.error);
    t.high_s = std::exp(told.ln_t90 + normal_90 * told.error);
    if (limit) {
        t.fresh_s = std::exp(limit->ln_fresh);
        t.fresh_learned = limit->learned;
        t.ratio = t.value_s / *t.fresh_s;
        t.limit_s = std::exp(limit->ln_limit);
    }
    t.tests = state.trend.tests();
    t.at = from_unix_ms(newest_test_ms(state));
    d.t90 = t;
    if (auto const ahead = crossing(state, setup, now_ms)) {
        d.forecast = Forecast{Reason::slow_response, from_unix_ms(ahead->due_ms),
                              from_unix_ms(ahead->earliest_ms), from_unix_ms(ahead->latest_ms)};
    }
}

void explain_background(Diagnosis& d, ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms) {
    if (auto const known = background_known(state, setup, now_ms)) {
        d.background =
            Background{known->level, known->level - normal_90 * known->error,
                       known->level + normal_90 * known->error, known->source, from_unix_ms(known->at_ms)};
    } else if (!state.in_mg_l) {
        d.background_unknown = "the device gives percent without a temperature, so mg/L are not known";
    } else if (tracker(state, Reason::no_signal).standing() || tracker(state, Reason::stuck).standing()) {
        d.background_unknown = "its output does not follow the water";
    } else {
        d.background_unknown = std::string{state.background.why_unknown(now_ms)};
    }
}

void explain_fluctuation(Diagnosis& d, ProbeState const& state) {
    auto const today = state.fluctuation.today();
    if (!today) {
        d.fluctuation_unknown = "fewer than six undisturbed hours in the last day";
        return;
    }
    Fluctuation f;
    f.value_mg_l = *today;
    f.at = from_unix_ms(state.fluctuation.at_ms());
    if (auto const fresh = state.fluctuation.fresh()) {
        f.fresh_mg_l = *fresh;
        f.ratio = *today / *fresh;
        if (state.neighbours_ratio > 0.0) {
            double const gained = state.fluctuation.now().value_or(*today) / *fresh - 1.0;
            f.shared_with_neighbours =
                std::clamp((state.neighbours_ratio - 1.0) / std::max(gained, 0.1), 0.0, 1.0);
        }
    }
    d.fluctuation = f;
}

void explain_span(Diagnosis& d, ProbeState const& state, ProbeSetup const& setup) {
    auto const known = state.span.known(pressure_error(state, setup));
    // Short blasts tell a change long before they tell the level.
    if (known && known->error > worst_span_error) {
        d.span_unknown =
            "the exposures to air seen so far are too short to tell where the reading would settle";
    } else if (known) {
        d.span = Span{known->percent, known->source, from_unix_ms(known->at_ms)};
    } else {
        d.span_unknown = "no exposure to air long enough to settle, and no air calibration on record";
    }
}

// What the work still wants.
std::string next_step_of_service(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms) {
    switch (service_state(state, setup, now_ms)) {
        case ServiceState::in_hand:
            return "put it back into the water";
        case ServiceState::settling:
            return "wait until the new membrane is at rest";
        case ServiceState::awaiting_calibration:
            if (auto const rest = state.service.rest_in_air()) {
                return fmt::format(
                    "calibrate it in air, or record the calibration: the new membrane came to rest at {:.0f} "
                    "% in "
                    "air, where 100 would be right",
                    *rest);
            }
            return "calibrate it in air, or record the calibration: nothing tells that the new membrane was";
        case ServiceState::in_service:
        case ServiceState::out_of_use:
            break;
    }
    auto const known = background_known(state, setup, now_ms);
    if (known && known->source == BackgroundSource::dry_zero && std::abs(known->level) > known->limit) {
        return fmt::format("clean the cathode again: it read {:.2f} mg/L dry, and at most {:.2f} is right",
                           known->level, known->limit);
    }
    return {};
}

std::string next_evidence(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms) {
    if (state.absent_since_ms != 0) {
        return fmt::format("out of use since {}: its return asks for a check",
                           minute_of(state.absent_since_ms));
    }
    if (auto step = next_step_of_service(state, setup, now_ms); !step.empty()) {
        return step;
    }
    double const age_days = static_cast<double>(now_ms - newest_test_ms(state)) / day_ms;
    if (unchecked_since_return(state) || !response_known(state, now_ms) ||
        age_days > setup.limits.evidence_days) {
        return "lift five minutes into air and put back";
    }
    bool const open = likely_slow(state, setup, now_ms) && !standing(state, Reason::slow_response);
    if (open) {
        return "more response tests: it is rather past its limit than within it; lift five minutes into air "
               "and put "
               "back to tell";
    }
    if (!slow_limit(state, setup)) {
        return "configure t90_s, or record the next membrane change: nothing says how quick it is when fresh";
    }
    return {};
}

}  // namespace

Diagnosis explain(ProbeState const& state, ProbeSetup const& setup, std::int64_t now_ms) {
    Diagnosis d;
    d.at = from_unix_ms(now_ms);
    d.condition = state.condition;
    explain_t90(d, state, setup, now_ms);
    explain_background(d, state, setup, now_ms);
    explain_fluctuation(d, state);
    explain_span(d, state, setup);
    d.service_state = service_state(state, setup, now_ms);
    d.next_evidence = next_evidence(state, setup, now_ms);
    d.suitability = suitability(state, setup, d);
    if (state.absent_since_ms != 0) {
        return d;  // what stood before is neither told nor taken back
    }
    for (std::size_t i = 0; i < reason_count; ++i) {
        if (state.trackers[i].standing()) {
            d.findings.push_back(finding_of(static_cast<Reason>(i), state, setup, now_ms));
        }
    }
    std::stable_sort(d.findings.begin(), d.findings.end(), [](Finding const& a, Finding const& b) {
        int const strength_a = severity(condition_of(a.reason)),
                  strength_b = severity(condition_of(b.reason));
        return strength_a != strength_b ? strength_a > strength_b : a.probability > b.probability;
    });
    return d;
}

}  // namespace probekeeper::diagnosis

#include "score.h"

#include <algorithm>
#include <cmath>

namespace probekeeper::backtest {
namespace {

constexpr double year_days = 365.25;

double days_between(Timestamp from, Timestamp to) {
    return seconds_between(from, to) / 86'400.0;
}

bool has(std::vector<std::string> const& list, std::string const& word) {
    return std::find(list.begin(), list.end(), word) != list.end();
}

Timestamp earliest_naming(Fault const& fault, std::string const& code) {
    return fault.crossing - days(code == "slow_response" ? forecast_early_days : other_early_days);
}

FaultScore score_fault(ProbeTruth const& probe, Fault const& fault,
                       std::vector<SaidReason const*> const& reasons, Timestamp end) {
    FaultScore result{.fleet = probe.fleet,
                      .probe = probe.id,
                      .reason = fault.named_by.front(),
                      .kind = fault.kind,
                      .outcome = Outcome::missed,
                      .visible = fault.visible,
                      .delay_days = std::nullopt};
    for (auto const* r : reasons) {
        if (has(fault.named_by, r->code) && r->raised_at >= earliest_naming(fault, r->code)) {
            double const delay = days_between(fault.visible, r->raised_at);
            result.delay_days = std::min(delay, result.delay_days.value_or(delay));
        }
    }
    if (fault.visible + days(named_within_days) > end) {
        result.outcome = Outcome::not_due;
    } else if (result.delay_days) {
        result.outcome = *result.delay_days <= named_within_days ? Outcome::named : Outcome::late;
    }
    return result;
}

// Is this reason right, or no mistake, given all that was wrong with the probe?
bool justified(ProbeTruth const& probe, SaidReason const& r) {
    if (r.code == "verification_due" && !probe.testable) {
        return true;
    }
    return std::any_of(probe.faults.begin(), probe.faults.end(), [&](Fault const& f) {
        if (has(f.named_by, r.code)) {
            return r.raised_at >= earliest_naming(f, r.code);
        }
        return has(f.also_true, r.code) && r.raised_at >= f.crossing - days(other_early_days);
    });
}

// From here on something is wrong with the probe.
std::optional<Timestamp> first_wrong(ProbeTruth const& probe) {
    std::optional<Timestamp> first;
    for (auto const& f : probe.faults) {
        auto const from = earliest_naming(f, f.named_by.front());
        first = std::min(from, first.value_or(from));
    }
    return first;
}

TrueState state_at(ProbeTruth const& probe, Timestamp at) {
    auto const& course = probe.course;
    auto const after =
        std::find_if(course.begin(), course.end(), [at](TrueState const& s) { return s.at >= at; });
    if (after == course.begin() || after == course.end()) {
        return after == course.end() ? course.back() : course.front();
    }
    auto const before = after - 1;
    double const part = seconds_between(before->at, at) / seconds_between(before->at, after->at);
    return {.at = at,
            .t90_20_s = before->t90_20_s + part * (after->t90_20_s - before->t90_20_s),
            .background_mg_l =
                before->background_mg_l + part * (after->background_mg_l - before->background_mg_l)};
}

void score_state(ProbeTruth const& probe, SaidState const& state, Score& score) {
    auto const beside = [&](SaidValue const& v, double truth) {
        return Estimate{probe.fleet, probe.id, v.value, v.low, v.high, truth};
    };
    if (state.t90) {
        score.t90.push_back(beside(*state.t90, state_at(probe, state.t90->at).t90_20_s));
    }
    if (state.background) {
        score.background.push_back(
            beside(*state.background, state_at(probe, state.background->at).background_mg_l));
    }
}

// A forecast is judged on probes that were still to cross when the run ended.
void score_forecast(ProbeTruth const& probe, SaidState const& state, Timestamp end, Score& score) {
    for (auto const& f : probe.faults) {
        if (state.forecast && f.crossing > end && has(f.named_by, "slow_response")) {
            score.forecasts.push_back(
                {.fleet = probe.fleet,
                 .probe = probe.id,
                 .covered = state.forecast->earliest <= f.visible && f.visible <= state.forecast->latest,
                 .error_days = days_between(f.visible, state.forecast->due)});
        }
    }
}

// The ticket that was unfinished when the work was done, and what the daemon alone made of it since.
void score_service(ProbeTruth const& probe, Said const& said, Score& score) {
    auto const& service = *probe.service;
    ServiceScore s{.fleet = probe.fleet, .probe = probe.id, .kind = service.kind, .good = service.good};
    for (auto const& ticket : said.tickets) {
        if (ticket.probe != probe.id) {
            continue;
        }
        double const opened = days_between(service.at, ticket.opened_at);
        s.opened_by_handling += service.good && opened >= -0.1 && opened < 1.0 ? 1 : 0;
        for (auto const& step : ticket.history) {
            double const day = days_between(service.at, step.at);
            s.ticketed = s.ticketed || (step.state == "serviced" && step.by != "probekeeperd");
            bool const told =
                step.by == "probekeeperd" && day > 0.0 && day <= proved_within_days && opened < 0.0;
            s.verified = s.verified || (told && step.state == "verified");
            s.reopened = s.reopened || (told && step.state == "open");
        }
        // A ticket that is new after bad work says so as well as one that goes on.
        s.reopened = s.reopened || (!service.good && opened > 0.0 && opened <= proved_within_days);
    }
    score.services.push_back(s);
}

template <typename T>
void append(std::vector<T>& to, std::vector<T> const& from) {
    to.insert(to.end(), from.begin(), from.end());
}

}  // namespace

void Score::add(Score const& other) {
    append(faults, other.faults);
    append(mistakes, other.mistakes);
    append(t90, other.t90);
    append(background, other.background);
    append(forecasts, other.forecasts);
    append(exposures, other.exposures);
    append(services, other.services);
    reasons_raised += other.reasons_raised;
}

Score score(FleetTruth const& truth, Said const& said) {
    Score result;
    for (auto const& probe : truth.probes) {
        std::vector<SaidReason const*> reasons;
        for (auto const& r : said.reasons) {
            if (r.probe == probe.id) {
                reasons.push_back(&r);
            }
        }
        if (probe.service) {
            score_service(probe, said, result);
            continue;  // made for the proof: what was wrong before it is no catalogue of faults
        }
        for (auto const& fault : probe.faults) {
            result.faults.push_back(score_fault(probe, fault, reasons, truth.end));
        }
        auto const wrong_from = first_wrong(probe);
        for (auto const* r : reasons) {
            ++result.reasons_raised;
            if (!justified(probe, *r)) {
                bool const clean = !wrong_from || r->raised_at < *wrong_from;
                result.mistakes.push_back({probe.fleet, probe.id, r->ticket, r->code, r->text,
                                           clean ? Mistake::false_alarm : Mistake::wrong_reason, r->raised_at,
                                           probe.confusers});
            }
        }
        auto const clean_until = std::clamp(wrong_from.value_or(truth.end), truth.start, truth.end);
        result.exposures.push_back({probe.fleet, days_between(truth.start, clean_until) / year_days});
        if (auto const state = said.states.find(probe.id); state != said.states.end()) {
            score_state(probe, state->second, result);
            score_forecast(probe, state->second, truth.end, result);
        }
    }
    return result;
}

}  // namespace probekeeper::backtest

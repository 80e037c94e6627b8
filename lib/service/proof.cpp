#include "service/proof.h"

#include "service/record.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <cmath>
#include <numbers>

namespace probekeeper::service {
namespace {

using diagnosis::Condition;
using diagnosis::Diagnosis;
using diagnosis::Finding;
using diagnosis::Reason;
using diagnosis::ServiceState;

constexpr std::chrono::hours proof_wait{12};
constexpr std::chrono::hours failure_patience{24};
constexpr std::chrono::hours patience{72};
constexpr std::chrono::hours tests_wait{7 * 24};
// A week's sheets come back at its end. One day less than diagnosis goes on waiting for the calibration.
constexpr std::chrono::hours calibration_patience{6 * 24};
constexpr std::chrono::hours one_visit{3};
// ln of T90 over its fresh value: a new membrane is as quick as another to some percent; one with a wrinkle,
// a bubble or a film under it, or one that was never changed, is slower by half to several times. Guesses.
constexpr double good_ln = 0.03, good_spread = 0.06;
constexpr double bad_from_ln = 0.35, bad_to_ln = 1.6;
constexpr double bad_often = 0.2;  // of all new membranes
// What is expected of a fresh probe by its configuration is known to so much, in ln. A guess.
constexpr double expected_error = 0.12;
// Said at once where it is so plain; after some days the likelier of the two.
constexpr double plainly = 0.95, likelier = 0.5;
constexpr double flutters = 2.0;  // times as much movement as a fresh membrane. A guess
constexpr std::uint32_t tests_of_new = 4;
constexpr double as_before = 0.15;                // of T90: what two estimates of one probe may differ by
constexpr double normal_90 = 1.6448536269514722;  // half-width of a 90 % interval in standard deviations

constexpr std::string_view not_calibrated =
    "nothing tells that the new membrane was calibrated: calibrate it in air, or record that it was";

bool tested_since(Diagnosis const& now, Timestamp work) {
    return now.t90 && now.t90->at > work;
}

// The reason as it stood last before the work.
Finding const* last_of(Ticket const& ticket, Reason reason) {
    auto const found = std::find_if(ticket.reasons.rbegin(), ticket.reasons.rend(),
                                    [&](auto const& r) { return r.finding.reason == reason; });
    return found == ticket.reasons.rend() ? nullptr : &found->finding;
}

Finding const* standing(Diagnosis const& now, Finding const& finding) {
    auto const found = std::find_if(now.findings.begin(), now.findings.end(), [&](auto const& f) {
        return f.reason == finding.reason && f.raised_at == finding.raised_at;
    });
    return found == now.findings.end() ? nullptr : &*found;
}

// "; NAME 0.25 mg/L before, 0.02 mg/L after", where both are known.
template <typename Quantity>
std::string compared(Ticket const& ticket, Reason reason, std::optional<Quantity> const& after,
                     double Quantity::*value, std::string_view name, std::string_view format) {
    auto const* const before = last_of(ticket, reason);
    if (before == nullptr || !before->value || !after) {
        return {};
    }
    auto const figure = [&](double v) { return fmt::format(fmt::runtime(format), v); };
    return fmt::format("; {} {} before, {} after", name, figure(*before->value), figure((*after).*value));
}

// Whether work of this kind was done in the last visit: history has it by its word, then the note.
bool is_work(HistoryEntry const& entry, Work kind) {
    return entry.state == State::serviced && entry.by != daemon_name && entry.note.starts_with(to_word(kind));
}

bool did(Ticket const& ticket, Timestamp last_work, Work kind) {
    return std::any_of(ticket.history.begin(), ticket.history.end(), [&](auto const& entry) {
        return entry.at >= last_work - one_visit && is_work(entry, kind);
    });
}

// When the membrane was last changed, as far as history tells; else the last work.
Timestamp membrane_changed_at(Ticket const& ticket, Timestamp last_work) {
    std::optional<Timestamp> changed;
    for (auto const& entry : ticket.history) {
        if (is_work(entry, Work::membrane_change)) {
            changed = std::max(changed.value_or(entry.at), entry.at);
        }
    }
    return changed.value_or(last_work);
}

bool awaits_calibration(Ticket const& ticket, Diagnosis const& now, Timestamp work,
                        std::chrono::hours for_longer_than) {
    return now.service_state == ServiceState::awaiting_calibration &&
           now.at >= membrane_changed_at(ticket, work) + for_longer_than;
}

double normal_cdf(double z) {
    return 0.5 * std::erfc(-z / std::numbers::sqrt2);
}

// T90 of the probe when fresh, as it was known before the work - the least that a reason of this ticket
// tells, for what a bad new membrane teaches is no measure.
std::optional<double> fresh_before(Ticket const& ticket, Diagnosis const& now) {
    if (!now.t90 || !now.t90->fresh_s || !now.t90->limit_s) {
        return std::nullopt;
    }
    double const ratio = *now.t90->limit_s / *now.t90->fresh_s;
    std::optional<double> least;
    for (auto const& reason : ticket.reasons) {
        auto const& finding = reason.finding;
        if (finding.reason == Reason::slow_response && finding.limit) {
            least = std::min(least.value_or(*finding.limit / ratio), *finding.limit / ratio);
        }
    }
    return least || now.t90->fresh_learned ? least : now.t90->fresh_s;
}

// How likely a new membrane is not on as it should be, by its T90 since the work. Empty where no membrane was
// changed, nothing has tested it since, or nobody knows what a fresh one is.
std::optional<double> slow_though_new(Ticket const& ticket, Diagnosis const& now, Timestamp work) {
    auto const fresh = fresh_before(ticket, now);
    if (!fresh || !did(ticket, work, Work::membrane_change) || !tested_since(now, work)) {
        return std::nullopt;
    }
    double const off = std::log(now.t90->value_s / *fresh) - good_ln;
    bool const interval = now.t90->low_s > 0.0 && now.t90->high_s > now.t90->low_s;
    double const of_t90 = interval ? 0.5 / normal_90 * std::log(now.t90->high_s / now.t90->low_s) : 0.0;
    double const error = std::hypot(of_t90, expected_error);
    double const good_error = std::hypot(error, good_spread);
    double const good = std::exp(-0.5 * off * off / (good_error * good_error)) /
                        (good_error * std::sqrt(2.0 * std::numbers::pi));
    double const bad = (normal_cdf((off - bad_from_ln) / error) - normal_cdf((off - bad_to_ln) / error)) /
                       (bad_to_ln - bad_from_ln);
    double const odds = bad_often * bad / std::max((1.0 - bad_often) * good, 1e-12);
    // Beyond both, it is slow.
    return off > bad_to_ln ? 1.0 : odds / (1.0 + odds);
}

// Sure enough to say, either way: plain tests within half a day, what there is after three.
bool sure_it_is_slow(double probability, Diagnosis const& now, Timestamp work) {
    bool const plain =
        probability >= plainly && now.at >= work + proof_wait && now.t90->tests >= tests_of_new;
    return plain || (probability >= likelier && now.at >= work + patience);
}

bool sure_it_is_quick(double probability, Diagnosis const& now, Timestamp work) {
    return probability < 1.0 - plainly || (probability < likelier && now.at >= work + patience);
}

std::string slow_though_new_text(Ticket const& ticket, Diagnosis const& now) {
    auto const fresh = fresh_before(ticket, now);
    auto text = fmt::format("T90 is {:.0f} s with a new membrane, {:.1f} times that of a fresh probe",
                            now.t90->value_s, now.t90->value_s / fresh.value_or(now.t90->value_s));
    auto const* const before = last_of(ticket, Reason::slow_response);
    bool const unchanged =
        before != nullptr && before->value && std::abs(now.t90->value_s / *before->value - 1.0) < as_before;
    return text +
           (unchanged ? ", as before the work: was it another probe that was serviced? Else look for a film, "
                        "a wrinkle or a bubble under the membrane"
                      : ": look for a wrinkle, a bubble or a film under it");
}

// A new membrane that may flutter: not compared yet, or moving more than a fresh one. After three days what
// is known by then must do.
bool may_flutter(Ticket const& ticket, Diagnosis const& now, Timestamp work) {
    bool const quiet = now.fluctuation && now.fluctuation->ratio && *now.fluctuation->ratio < flutters;
    return did(ticket, work, Work::membrane_change) && !quiet && now.at < work + patience;
}

// What to do about a reason that stands after this work.
std::string_view next_work(Ticket const& ticket, Reason reason, Timestamp work) {
    bool const changed = did(ticket, work, Work::membrane_change);
    bool const cleaned = changed || did(ticket, work, Work::electrode_clean);
    if (reason == Reason::slow_response) {
        return changed ? ": look for a wrinkle, a bubble or a film under the membrane"
               : did(ticket, work, Work::membrane_wipe) ? ": change the membrane"
                                                        : "";
    }
    if (reason == Reason::background) {
        return cleaned ? ": clean the cathode again" : "";
    }
    return reason == Reason::fluctuation && changed ? ": look for a wrinkle or a loose cap" : "";
}

// A background that was wrong before is known to be right since.
bool background_seen_right(Ticket const& ticket, Diagnosis const& now, Timestamp work) {
    auto const* const before = last_of(ticket, Reason::background);
    if (before == nullptr) {
        return true;
    }
    double const limit = std::abs(before->limit.value_or(0.2));
    // A dry zero of the visit is written down with the time at which the visit began.
    return now.background && now.background->at >= work - one_visit &&
           std::abs(now.background->value_mg_l) <= limit;
}

// Whether a finding from before the work has stood too long after it.
bool outlasted(Finding const& finding, Diagnosis const& now, Timestamp work) {
    bool const failure = diagnosis::condition_of(finding.reason) == Condition::failure;
    bool const by_test = finding.reason != Reason::slow_response || tested_since(now, work);
    return finding.probability >= 0.5 && by_test && now.at >= work + (failure ? failure_patience : patience);
}

// The figures before and after, as far as both are known.
std::string figures(Ticket const& ticket, Diagnosis const& now) {
    auto const* const slow = last_of(ticket, Reason::slow_response);
    auto text = slow != nullptr && slow->value
                    ? fmt::format("{:.0f} s before, {:.0f} s after", *slow->value, now.t90->value_s)
                    : fmt::format("{:.0f} s", now.t90->value_s);
    // Against what was known before the work: what the new membrane itself teaches would always be like it.
    auto const fresh = fresh_before(ticket, now);
    auto const ratio = fresh ? std::optional{now.t90->value_s / *fresh} : now.t90->ratio;
    if (ratio) {
        text += fmt::format(", {:.1f} times its fresh value", *ratio);
    }
    text += compared(ticket, Reason::background, now.background, &diagnosis::Background::value_mg_l,
                     "background", "{:.2f} mg/L");
    text += compared(ticket, Reason::fluctuation, now.fluctuation, &diagnosis::Fluctuation::value_mg_l,
                     "fluctuation", "{:.3f} mg/L");
    text +=
        compared(ticket, Reason::span_error, now.span, &diagnosis::Span::value_percent, "in air", "{:.1f} %");
    return text;
}

}  // namespace

std::optional<Timestamp> serviced_at(Ticket const& ticket) {
    std::optional<Timestamp> last;
    for (auto const& entry : ticket.history) {
        if (entry.state == State::serviced && entry.by != daemon_name) {
            last = std::max(last.value_or(entry.at), entry.at);  // records of a visit come in any order
        }
    }
    return last;
}

std::optional<std::string> restored(Ticket const& ticket, Diagnosis const& now) {
    auto const work = serviced_at(ticket);
    bool const cleared = std::all_of(ticket.reasons.begin(), ticket.reasons.end(),
                                     [](auto const& r) { return r.cleared_at.has_value(); });
    if (!work || !cleared || now.at < *work + proof_wait || !tested_since(now, *work)) {
        return std::nullopt;
    }
    if (now.service_state == ServiceState::awaiting_calibration ||
        !background_seen_right(ticket, now, *work) || may_flutter(ticket, now, *work)) {
        return std::nullopt;
    }
    auto const not_as_new = slow_though_new(ticket, now, *work);
    if (not_as_new && !sure_it_is_quick(*not_as_new, now, *work)) {
        return std::nullopt;
    }
    auto const* const slow = last_of(ticket, Reason::slow_response);
    if (slow != nullptr && slow->limit && now.t90->value_s > *slow->limit) {
        return std::nullopt;
    }
    return "response restored: T90 " + figures(ticket, now);
}

std::optional<std::string> still_wrong(Ticket const& ticket, Diagnosis const& now) {
    auto const work = serviced_at(ticket);
    if (!work) {
        return std::nullopt;
    }
    std::string text;
    auto const add = [&](std::string const& what) {
        text += text.empty() ? "" : "; ";
        text += what;
    };
    bool told_slow = false;
    for (auto const& reason : ticket.reasons) {
        auto const* const finding = reason.cleared_at ? nullptr : standing(now, reason.finding);
        if (finding != nullptr && (finding->raised_at > *work || outlasted(*finding, now, *work))) {
            add(finding->text + std::string{next_work(ticket, finding->reason, *work)});
            told_slow = told_slow || finding->reason == Reason::slow_response;
        }
    }
    auto const not_as_new = slow_though_new(ticket, now, *work);
    if (!told_slow && not_as_new && sure_it_is_slow(*not_as_new, now, *work)) {
        add(slow_though_new_text(ticket, now));
    }
    if (awaits_calibration(ticket, now, *work, calibration_patience)) {
        add(std::string{not_calibrated});
    }
    return text.empty() ? std::nullopt : std::optional{text};
}

bool still_stands(Ticket const& ticket, Diagnosis const& now) {
    if (!ticket.proof || ticket.proof->restored) {
        return false;
    }
    // Diagnosis stops asking after a week; from then on only people can tell.
    if (ticket.proof->text.find(not_calibrated) != std::string::npos) {
        return true;
    }
    auto const not_as_new = slow_though_new(ticket, now, ticket.proof->work);
    return not_as_new && *not_as_new > 1.0 - plainly;
}

std::optional<std::string> asks_for(Ticket const& ticket, Diagnosis const& now) {
    auto const work = serviced_at(ticket);
    if (work && awaits_calibration(ticket, now, *work, proof_wait)) {
        return "nothing tells that the new membrane was calibrated: record its calibration, or calibrate it "
               "in "
               "air";
    }
    if (!work || now.at < *work + tests_wait) {
        return std::nullopt;
    }
    if (!tested_since(now, *work)) {
        return "no response test since the work: lift five minutes into air and put back";
    }
    if (!background_seen_right(ticket, now, *work)) {
        return "the background has not been seen since the work: check the dry zero and record it";
    }
    return std::nullopt;
}

std::vector<ProofFigure> figures_of(Ticket const& ticket, Diagnosis const& now) {
    auto const work = serviced_at(ticket).value_or(now.at);
    std::vector<ProofFigure> figures;
    auto const add = [&](std::string_view quantity, Reason reason, std::optional<double> after,
                         std::string_view unit) {
        auto const* const newest = last_of(ticket, reason);
        auto const before = std::find_if(ticket.reasons.rbegin(), ticket.reasons.rend(), [&](auto const& r) {
            return r.finding.reason == reason && r.finding.raised_at <= work;
        });
        if (newest != nullptr || (after && reason == Reason::slow_response)) {
            figures.push_back({std::string{quantity},
                               before != ticket.reasons.rend() ? before->finding.value : std::nullopt, after,
                               newest != nullptr ? newest->limit : std::nullopt, std::string{unit}});
        }
    };
    // A check of the visit itself is written down with the time at which the visit began.
    auto const since = [&](auto const& quantity, auto value, std::chrono::hours of_visit) {
        return quantity && quantity->at >= work - of_visit ? std::optional{(*quantity).*value} : std::nullopt;
    };
    constexpr std::chrono::hours at_once{0};
    add("t90", Reason::slow_response, since(now.t90, &diagnosis::T90::value_s, at_once), "s");
    add("background", Reason::background,
        since(now.background, &diagnosis::Background::value_mg_l, one_visit), "mg/L");
    add("fluctuation", Reason::fluctuation,
        since(now.fluctuation, &diagnosis::Fluctuation::value_mg_l, at_once), "mg/L");
    add("span", Reason::span_error, since(now.span, &diagnosis::Span::value_percent, one_visit), "%");
    return figures;
}

}  // namespace probekeeper::service

#include "service/evidence.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <cmath>

#include "service/history.h"
#include "service/proof.h"
#include "service/urgency.h"
#include "service/work_plan.h"

namespace probekeeper::service {
namespace {

using diagnosis::Diagnosis;
using diagnosis::Finding;

// A reason that comes and goes for months must not fill the store: beyond these the oldest cleared reason
// makes room, and history tells changes of state only.
constexpr std::size_t reasons_max = 64;
constexpr std::size_t history_max_for_notes = 200;

constexpr double noticeable = 0.05;  // of a figure; and in probability
constexpr std::chrono::hours day{24};

bool moved(std::optional<double> const& a, std::optional<double> const& b, double scale) {
    return a.has_value() != b.has_value() || (a && std::abs(*a - *b) > noticeable * scale);
}
bool moved(std::optional<Timestamp> const& a, std::optional<Timestamp> const& b) {
    return a.has_value() != b.has_value() || (a && std::chrono::abs(*a - *b) >= day);
}

bool moved_noticeably(Finding const& a, Finding const& b) {
    double const scale = std::max(std::abs(a.value.value_or(0.0)), std::abs(a.limit.value_or(0.0)));
    return moved(a.value, b.value, scale) || moved(a.low, b.low, scale) || moved(a.high, b.high, scale) ||
           moved(a.limit, b.limit, scale) || moved(a.probability, b.probability, 1.0) ||
           moved(a.since, b.since) || moved(a.due, b.due) || a.unit != b.unit;
}

bool same(Finding const& a, Finding const& b) {
    return a.value == b.value && a.low == b.low && a.high == b.high && a.limit == b.limit &&
           a.unit == b.unit && a.probability == b.probability && a.since == b.since && a.due == b.due &&
           a.text == b.text;
}

Finding const* standing(Diagnosis const& d, Finding const& known) {
    auto const found = std::find_if(d.findings.begin(), d.findings.end(), [&](auto const& f) {
        return f.reason == known.reason && f.raised_at == known.raised_at;
    });
    return found == d.findings.end() ? nullptr : &*found;
}

void note(Ticket& ticket, Timestamp at, std::string text) {
    if (ticket.history.size() < history_max_for_notes) {
        ticket.history.push_back({at, ticket.state, std::string{daemon_name}, std::move(text)});
    }
}

void append(std::string& list, std::string_view text, std::string_view separator) {
    list += list.empty() ? "" : separator;
    list += text;
}

void make_room(std::vector<TicketReason>& reasons) {
    auto const oldest_cleared =
        std::find_if(reasons.begin(), reasons.end(), [](auto const& r) { return r.cleared_at.has_value(); });
    if (reasons.size() >= reasons_max && oldest_cleared != reasons.end()) {
        reasons.erase(oldest_cleared);
    }
}

// A diagnosis made again may raise at another time what stands already: that is the same reason, better
// dated. Gives what is left to join.
std::vector<Finding> redate(Ticket& ticket, Diagnosis const& d, std::vector<Finding> fresh) {
    std::erase_if(fresh, [&](Finding const& found) {
        auto const reason =
            std::find_if(ticket.reasons.begin(), ticket.reasons.end(), [&](TicketReason const& known) {
                return !known.cleared_at && known.finding.reason == found.reason &&
                       standing(d, known.finding) == nullptr;
            });
        if (reason == ticket.reasons.end()) {
            return false;
        }
        reason->finding = found;
        return true;
    });
    return fresh;
}

// Each of these gives what history should say of it; empty where nothing happened.
std::string join(Ticket& ticket, std::vector<Finding> const& fresh) {
    std::string joined;
    for (auto const& finding : fresh) {
        make_room(ticket.reasons);
        ticket.reasons.push_back({finding, std::nullopt});
        append(joined, finding.text, "; ");
    }
    return joined;
}

std::string clear(Ticket& ticket, Diagnosis const& d) {
    std::string cleared;
    for (auto& reason : ticket.reasons) {
        if (!reason.cleared_at && standing(d, reason.finding) == nullptr) {
            reason.cleared_at = d.at;
            append(cleared, diagnosis::to_word(reason.finding.reason), ", ");
        }
    }
    return cleared;
}

// Only a diagnosis that was made again, with records that came late, brings a cleared reason back as itself.
std::string bring_back(Ticket& ticket, Diagnosis const& d) {
    std::string back;
    for (auto& reason : ticket.reasons) {
        auto const* const now = reason.cleared_at ? standing(d, reason.finding) : nullptr;
        if (now != nullptr && d.at > *reason.cleared_at) {
            reason.cleared_at.reset();
            append(back, now->text, "; ");
        }
    }
    return back;
}

// `all`: whatever differs, for a ticket that changes anyway or has not been refreshed for a day.
bool follow(Ticket& ticket, Diagnosis const& d, bool all) {
    bool changed = false;
    for (auto& reason : ticket.reasons) {
        auto const* const now = reason.cleared_at ? nullptr : standing(d, reason.finding);
        if (now == nullptr || same(reason.finding, *now)) {
            continue;
        }
        if (all || moved_noticeably(reason.finding, *now)) {
            reason.finding = *now;
            changed = true;
        }
    }
    return changed;
}

bool any_standing(Ticket const& ticket) {
    return std::any_of(ticket.reasons.begin(), ticket.reasons.end(),
                       [](auto const& r) { return !r.cleared_at; });
}

// Asks for what the proof lacks, once; the ticket stays as it is. Whether it asked.
bool ask(Ticket& ticket, Diagnosis const& d) {
    auto const wanted = asks_for(ticket, d);
    auto const work = serviced_at(ticket);
    bool const asked = std::any_of(ticket.history.begin(), ticket.history.end(), [&](auto const& entry) {
        return wanted && entry.by == daemon_name && entry.at >= *work && entry.note == *wanted;
    });
    if (wanted && !asked) {
        move_to(ticket, ticket.state, d.at, std::string{daemon_name}, *wanted);
    }
    return wanted && !asked;
}

// Whether the proof after service has come out one way or the other, or has been asked for.
bool prove(Ticket& ticket, Diagnosis const& d) {
    auto const by = std::string{daemon_name};
    auto const note_proof = [&](bool is_restored, std::string const& text) {
        ticket.proof =
            Proof{d.at, serviced_at(ticket).value_or(d.at), is_restored, text, figures_of(ticket, d)};
    };
    if (auto const wrong = still_wrong(ticket, d)) {
        note_proof(false, *wrong);
        move_to(ticket, State::open, d.at, by, std::string{still_wrong_note} + *wrong);
        return true;
    }
    if (auto const proof = restored(ticket, d)) {
        note_proof(true, *proof);
        move_to(ticket, State::verified, d.at, by, *proof);
        return true;
    }
    return ask(ticket, d);
}

void remake(Ticket& ticket, ProbeFacts const& probe, Timestamp at) {
    ticket.updated_at = std::max(ticket.updated_at, at);
    auto const press = pressing(ticket.reasons, probe.use);
    if (!press) {
        return;  // what was to be done stays readable on a ticket whose reasons have gone
    }
    ticket.urgency = press->urgency;
    ticket.due = press->due;
    if (has_failure(ticket)) {
        ticket.postponed_until.reset();  // nobody agreed to wait with this, however little hangs on the probe
    }
    std::vector<Finding> findings;
    for (auto const& reason : ticket.reasons) {
        if (!reason.cleared_at) {
            findings.push_back(reason.finding);
        }
    }
    auto plan = plan_work(findings, probe);
    ticket.work = std::move(plan.work);
    ticket.parts = std::move(plan.parts);
    ticket.meanwhile = std::move(plan.meanwhile);
    ticket.cautions = std::move(plan.cautions);
}

// What came and went, where it moves no state.
void tell(Ticket& ticket, Timestamp at, std::string const& joined, std::string const& back,
          std::string const& cleared) {
    if (!joined.empty()) {
        note(ticket, at, std::string{ticket.history.empty() ? opened_note : joined_note} + joined);
    }
    if (!back.empty()) {
        note(ticket, at, std::string{back_note} + back);
    }
    if (!cleared.empty()) {
        note(ticket, at, std::string{cleared_note} + cleared);
    }
}

}  // namespace

std::string person(std::string const& by) {
    return by.empty() || by == daemon_name ? "unnamed" : by;
}

void move_to(Ticket& ticket, State state, Timestamp at, std::string by, std::string text) {
    ticket.state = state;
    if (state == State::serviced && by != daemon_name) {
        ticket.proof.reset();  // new work; what came of the work before stays in history
    }
    if (state != State::planned) {
        ticket.planned_for.reset();
    }
    ticket.history.push_back({at, state, std::move(by), std::move(text)});
    ticket.updated_at = std::max(ticket.updated_at, at);
}

bool take_evidence(Ticket& ticket, ProbeFacts const& probe, Diagnosis const& d,
                   std::vector<Finding> const& fresh) {
    auto const joined = join(ticket, redate(ticket, d, fresh));
    // One that awaits its calibration is back in the water and shows what it shows.
    bool const at_rest = d.service_state == diagnosis::ServiceState::in_service ||
                         d.service_state == diagnosis::ServiceState::awaiting_calibration;
    auto const back = at_rest ? bring_back(ticket, d) : std::string{};
    auto const cleared = at_rest ? clear(ticket, d) : std::string{};
    bool moved_on = false;
    if (ticket.state == State::serviced) {
        moved_on = at_rest && prove(ticket, d);
    } else if (at_rest && !any_standing(ticket) && !still_stands(ticket, d)) {
        move_to(ticket, State::withdrawn, d.at, std::string{daemon_name},
                "the evidence went away: " + (cleared.empty() ? "no reason stands" : cleared));
        moved_on = true;
    }
    if (!moved_on) {
        tell(ticket, d.at, joined, back, cleared);
    }
    bool changed = moved_on || !fresh.empty() || !back.empty() || !cleared.empty();
    if (ticket.state != State::serviced && !is_finished(ticket.state)) {
        bool const all = changed || d.at - ticket.updated_at >= day;
        changed = follow(ticket, d, all) || changed;
    }
    if (changed) {
        remake(ticket, probe, d.at);
    }
    return changed;
}

}  // namespace probekeeper::service

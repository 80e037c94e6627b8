// The steps of people. What they share: a step that does not fit changes nothing, one that fits is in the
// history.
#include <spdlog/fmt/fmt.h>

#include <algorithm>

#include "base/text.h"
#include "service/evidence.h"
#include "service/proof.h"
#include "service/ticket_book.h"

namespace probekeeper::service {
namespace {

std::string with_note(std::string const& text, std::string const& note) {
    return note.empty() ? text : text + ": " + note;
}

Refused unknown_ticket(std::string const& id) {
    return {Refused::Why::unknown_ticket, fmt::format("no ticket {} at this site", id), {}};
}

}  // namespace

template <typename Change>
StepResult TicketBook::take(std::string const& id, Step step, Change change) {
    auto const* const found = find(id);
    if (found == nullptr) {
        return unknown_ticket(id);
    }
    auto& ticket = tickets_.at(found->number);
    auto const steps = fitting(ticket);
    if (std::find(steps.begin(), steps.end(), step) == steps.end()) {
        return does_not_fit(ticket, step);
    }
    change(ticket);
    learn(ticket);
    return ticket;
}

StepResult TicketBook::acknowledge(std::string const& id, std::string const& by, std::string const& note,
                                   Timestamp at) {
    return take(id, Step::acknowledge,
                [&](Ticket& t) { move_to(t, State::acknowledged, at, person(by), note); });
}

StepResult TicketBook::plan(std::string const& id, std::string const& by, Date date,
                            std::string const& assigned_to, Timestamp at) {
    if (!date.ok()) {
        return Refused{Refused::Why::bad_value, "date must be a day of the calendar", {}};
    }
    return take(id, Step::plan, [&](Ticket& t) {
        t.assigned_to = assigned_to.empty() ? std::nullopt : std::optional{assigned_to};
        auto const whom = assigned_to.empty() ? "" : ", assigned to " + assigned_to;
        move_to(t, State::planned, at, person(by), "planned for " + to_text(date) + whom);
        t.planned_for = date;
    });
}

StepResult TicketBook::postpone(std::string const& id, std::string const& by, Timestamp until,
                                std::string const& why, Timestamp at) {
    if (until <= at) {
        return Refused{Refused::Why::bad_value,
                       fmt::format("until must lie after {}, it is {}", to_rfc3339(at), to_rfc3339(until)),
                       {}};
    }
    if (trimmed(why).empty()) {
        return Refused{Refused::Why::bad_value, "why must say what the ticket waits for", {}};
    }
    return take(id, Step::postpone, [&](Ticket& t) {
        t.postponed_until = until;
        if (t.planned_for &&
            std::chrono::sys_days{*t.planned_for} < std::chrono::floor<std::chrono::days>(until)) {
            t.planned_for.reset();
        }
        move_to(t, t.state, at, person(by), with_note("postponed until " + to_rfc3339(until), why));
    });
}

StepResult TicketBook::visit(std::string const& id, std::string const& by, Outcome outcome, Timestamp at) {
    return take(id, Step::visit, [&](Ticket& t) {
        auto const state = outcome == Outcome::done ? State::serviced : t.state;
        move_to(t, state, at, person(by), fmt::format("visit: {}", to_word(outcome)));
    });
}

StepResult TicketBook::close(std::string const& id, std::string const& by, Found found,
                             std::string const& note, Timestamp at) {
    return take(id, Step::close, [&](Ticket& t) {
        t.found = found;
        auto const state = t.state == State::verified ? State::verified : State::closed;
        move_to(t, state, at, person(by), with_note(fmt::format("found {}", to_word(found)), note));
    });
}

StepResult TicketBook::seen(std::string const& id, Timestamp at) {
    auto const* const found = find(id);
    if (found == nullptr) {
        return unknown_ticket(id);
    }
    auto& ticket = tickets_.at(found->number);
    ticket.seen = ticket.seen.value_or(at);
    return ticket;
}

}  // namespace probekeeper::service

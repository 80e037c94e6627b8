#include "service/ticket_book.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>

#include "service/evidence.h"
#include "service/proof.h"

namespace probekeeper::service {
namespace {

using diagnosis::Diagnosis;
using diagnosis::Finding;
using diagnosis::ServiceState;

// The newest diagnosis that this ticket shows traces of: a restart feeds again what may lie before it.
Timestamp considered_until(Ticket const& ticket) {
    auto newest = ticket.opened_at;
    for (auto const& reason : ticket.reasons) {
        newest = std::max(newest, reason.cleared_at.value_or(newest));
    }
    for (auto const& entry : ticket.history) {
        newest = entry.by == daemon_name ? std::max(newest, entry.at) : newest;
    }
    // Figures are followed without a history entry; a person's step leaves one of its own time.
    bool const by_person = std::any_of(ticket.history.begin(), ticket.history.end(), [&](auto const& entry) {
        return entry.by != daemon_name && entry.at == ticket.updated_at;
    });
    return by_person ? newest : std::max(newest, ticket.updated_at);
}

std::string described(Record const& record) {
    std::string text{to_word(record.kind)};
    if (!record.note.empty()) {
        text += ": " + record.note;
    }
    return text;
}

bool has_entry(Ticket const& ticket, HistoryEntry const& wanted) {
    return std::any_of(ticket.history.begin(), ticket.history.end(), [&](auto const& entry) {
        return entry.at == wanted.at && entry.by == wanted.by && entry.note == wanted.note;
    });
}

}  // namespace

TicketBook::TicketBook(std::string site, std::int64_t next_number, std::vector<Ticket> tickets)
    : site_{std::move(site)}, next_number_{std::max<std::int64_t>(next_number, 1)} {
    std::sort(tickets.begin(), tickets.end(),
              [](auto const& a, auto const& b) { return a.number < b.number; });
    for (auto& ticket : tickets) {
        learn(ticket);
        next_number_ = std::max(next_number_, ticket.number + 1);
        auto const number = ticket.number;
        tickets_.insert_or_assign(number, std::move(ticket));
    }
}

// In the order of their numbers: what a newer ticket says of a finding counts.
void TicketBook::learn(Ticket const& ticket) {
    auto& known = probes_[ticket.probe];
    for (auto const& reason : ticket.reasons) {
        auto const until = ticket.state == State::withdrawn ? reason.cleared_at.value_or(ticket.updated_at)
                                                            : Timestamp::max();
        known.told.insert_or_assign({reason.finding.reason, reason.finding.raised_at}, until);
    }
    if (!is_finished(ticket.state)) {
        known.unfinished = ticket.number;
    } else if (known.unfinished == ticket.number) {
        known.unfinished = 0;
    }
    known.considered = std::max(known.considered, considered_until(ticket));
}

Ticket* TicketBook::unfinished_of(std::string const& probe) {
    auto const known = probes_.find(probe);
    return known == probes_.end() || known->second.unfinished == 0 ? nullptr
                                                                   : &tickets_.at(known->second.unfinished);
}

std::vector<Finding> TicketBook::untold(Known const& known, Diagnosis const& d) {
    std::vector<Finding> fresh;
    std::copy_if(d.findings.begin(), d.findings.end(), std::back_inserter(fresh), [&](auto const& f) {
        auto const told = known.told.find({f.reason, f.raised_at});
        return told == known.told.end() || d.at > told->second;
    });
    return fresh;
}

Ticket& TicketBook::open(ProbeFacts const& probe, Timestamp at) {
    Ticket ticket;
    ticket.number = next_number_++;
    ticket.id = fmt::format("{}-{}", site_, ticket.number);
    ticket.site = site_;
    ticket.probe = probe.id;
    ticket.opened_at = ticket.updated_at = at;
    return tickets_.emplace(ticket.number, std::move(ticket)).first->second;
}

std::vector<Ticket> TicketBook::consider(ProbeFacts const& probe, Diagnosis const& d) {
    auto& known = probes_[probe.id];
    if (d.service_state == ServiceState::out_of_use || d.at < known.considered) {
        return {};
    }
    known.considered = d.at;
    auto const fresh = untold(known, d);
    auto* ticket = unfinished_of(probe.id);
    if (ticket == nullptr && fresh.empty()) {
        return {};
    }
    if (ticket == nullptr) {
        ticket = &open(probe, d.at);
    }
    if (!take_evidence(*ticket, probe, d, fresh)) {
        return {};
    }
    learn(*ticket);
    return {*ticket};
}

std::vector<Ticket> TicketBook::record(Record const& record) {
    auto* const ticket = unfinished_of(record.probe);
    if (ticket == nullptr || record.time < ticket->opened_at) {
        return {};
    }
    HistoryEntry const entry{record.time, State::serviced, person(record.by), described(record)};
    if (has_entry(*ticket, entry)) {
        return {};
    }
    move_to(*ticket, State::serviced, entry.at, entry.by, entry.note);
    return {*ticket};
}

std::vector<Ticket> TicketBook::voided(Record const& record, std::string const& by, std::string const& why,
                                       Timestamp at) {
    auto* const ticket = unfinished_of(record.probe);
    HistoryEntry const entry{record.time, State::serviced, person(record.by), described(record)};
    if (ticket == nullptr || !has_entry(*ticket, entry)) {
        return {};
    }
    auto const others_work = [&](HistoryEntry const& e) {
        bool const of_record = e.at == entry.at && e.by == entry.by && e.note == entry.note;
        return e.state == State::serviced && e.by != daemon_name && !of_record;
    };
    auto const before = std::find_if(ticket->history.rbegin(), ticket->history.rend(),
                                     [](HistoryEntry const& e) { return e.state != State::serviced; });
    bool const back = ticket->state == State::serviced && before != ticket->history.rend() &&
                      std::none_of(ticket->history.rbegin(), before, others_work);
    // The day that was planned is over.
    auto const state = !back                             ? ticket->state
                       : before->state == State::planned ? State::acknowledged
                                                         : before->state;
    move_to(*ticket, state, at, person(by),
            fmt::format("the record of {} was voided: {}", to_rfc3339(record.time), why));
    return {*ticket};
}

std::vector<Ticket> TicketBook::withdraw_probe(std::string const& probe, Timestamp at,
                                               std::string const& why) {
    auto* const ticket = unfinished_of(probe);
    if (ticket == nullptr) {
        return {};
    }
    move_to(*ticket, State::withdrawn, at, std::string{daemon_name}, why);
    learn(*ticket);
    return {*ticket};
}

Ticket const* TicketBook::find(std::string const& id) const {
    auto const found = std::find_if(tickets_.begin(), tickets_.end(),
                                    [&](auto const& numbered) { return numbered.second.id == id; });
    return found == tickets_.end() ? nullptr : &found->second;
}

Ticket const* TicketBook::unfinished(std::string const& probe) const {
    auto const known = probes_.find(probe);
    return known == probes_.end() || known->second.unfinished == 0 ? nullptr
                                                                   : &tickets_.at(known->second.unfinished);
}

}  // namespace probekeeper::service

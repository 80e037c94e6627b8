#include "service/membranes.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <set>

#include "service/proof.h"

namespace probekeeper::service {
namespace {

using diagnosis::Reason;

constexpr std::chrono::hours one_visit{3};
constexpr double day_ms = 86'400'000.0;

// What a membrane is changed for, the plainest first.
constexpr std::array<Reason, 7> wearing{Reason::membrane_damage, Reason::no_signal,   Reason::slow_response,
                                        Reason::background,      Reason::fluctuation, Reason::span_error,
                                        Reason::not_settled};

bool answered(Ticket const& ticket, Record const& change) {
    return std::any_of(ticket.history.begin(), ticket.history.end(), [&](auto const& e) {
        return e.state == State::serviced && e.by != daemon_name &&
               std::chrono::abs(e.at - change.time) <= one_visit;
    });
}

using TicketsOf = std::map<std::string, std::vector<Ticket const*>>;  // by probe

TicketsOf by_probe(std::span<Ticket const> tickets) {
    TicketsOf by;
    for (auto const& ticket : tickets) {
        by[ticket.probe].push_back(&ticket);
    }
    return by;
}

std::optional<Reason> why_changed(Record const& change, TicketsOf const& tickets) {
    auto const of_probe = tickets.find(change.probe);
    if (of_probe == tickets.end()) {
        return std::nullopt;
    }
    for (auto const reason : wearing) {
        auto const& all = of_probe->second;
        bool const told = std::any_of(all.begin(), all.end(), [&](Ticket const* const answering) {
            auto const& ticket = *answering;
            return answered(ticket, change) &&
                   std::any_of(ticket.reasons.begin(), ticket.reasons.end(), [&](TicketReason const& r) {
                       bool const before = r.finding.raised_at <= change.time;
                       bool const stood = !r.cleared_at || *r.cleared_at >= change.time;
                       return r.finding.reason == reason && before && stood;
                   });
        });
        if (told) {
            return reason;
        }
    }
    return std::nullopt;
}

double days_between(Timestamp from, Timestamp until) {
    return std::max(0.0, static_cast<double>((until - from).count()) / day_ms);
}

double days_in_positions(MembraneLife const& life, Instruments const& instruments, Timestamp now) {
    auto const until = life.ended.value_or(now);
    auto const known = instruments.all().find(life.serial);
    if (life.serial.empty() || known == instruments.all().end()) {
        return days_between(life.installed, until);
    }
    double days = 0.0;
    for (auto const& stay : known->second.stays) {
        if (!stay.probe.empty()) {
            days += days_between(std::max(stay.from.value_or(life.installed), life.installed),
                                 std::min(stay.until.value_or(until), until));
        }
    }
    return days;
}

std::vector<Record const*> in_order(std::span<KeptRecord const> records) {
    std::vector<Record const*> kept;
    for (auto const& record : records) {
        if (!record.voided_at) {
            kept.push_back(&record.record);
        }
    }
    std::stable_sort(kept.begin(), kept.end(),
                     [](auto const* a, auto const* b) { return a->time < b->time; });
    return kept;
}

// The life that goes on of the instrument in a position, and of the position where nobody named it.
std::string carrier_of(Record const& record, Instruments const& instruments) {
    auto const serial =
        record.serial.empty() ? instruments.serial_at(record.probe, record.time) : record.serial;
    return serial.empty() ? "at " + record.probe : serial;
}

LifeStatistics statistics_of(std::span<MembraneLife const> lives, auto const& belongs) {
    LifeStatistics s;
    std::vector<estimate::Life> lengths;
    for (auto const& life : lives) {
        if (!belongs(life)) {
            continue;
        }
        ++s.lives;
        s.worn += life.worn() ? 1 : 0;
        s.in_use += life.ended ? 0 : 1;
        s.by_plan += life.ended && !life.worn() ? 1 : 0;
        lengths.push_back({life.days, life.worn()});
    }
    s.curve = estimate::kaplan_meier(lengths);
    s.median_days = estimate::median(s.curve);
    s.weibull = estimate::fit_weibull(lengths, usual_lives());
    return s;
}

}  // namespace

estimate::WeibullPrior usual_lives() {
    return {std::log(2.0), 0.4, std::log(200.0), 0.7};
}

std::vector<MembraneLife> membrane_lives(std::span<KeptRecord const> records, Instruments const& instruments,
                                         std::map<std::string, Position> const& positions,
                                         std::span<Ticket const> tickets, Timestamp now) {
    std::vector<MembraneLife> lives;
    std::map<std::string, std::size_t> in_use;  // place in `lives`, by carrier
    auto const tickets_of = by_probe(tickets);
    for (auto const* const record : in_order(records)) {
        auto const carrier = carrier_of(*record, instruments);
        auto const known = in_use.find(carrier);
        if (record->kind == Work::membrane_wipe && known != in_use.end()) {
            ++lives[known->second].wipes;
        }
        if (record->kind == Work::probe_swap && record->time <= now) {
            // An instrument that nobody named went away with its membrane: nobody will see the end.
            if (auto const left = in_use.find("at " + record->probe); left != in_use.end()) {
                lives[left->second].ended = record->time;
                in_use.erase(left);
            }
        }
        if (record->kind != Work::membrane_change || record->time > now) {
            continue;
        }
        if (known != in_use.end()) {
            auto& ended = lives[known->second];
            if (record->time - ended.installed <= one_visit) {
                continue;  // the same change, written down twice
            }
            ended.ended = record->time;
            ended.ended_by = why_changed(*record, tickets_of);
        }
        MembraneLife life;
        life.serial = carrier.starts_with("at ") ? "" : carrier;
        life.probe = record->probe;
        if (auto const at = positions.find(record->probe); at != positions.end()) {
            life.site = at->second.site;
            life.kind = at->second.membrane;
            life.water = at->second.water;
        }
        life.installed = record->time;
        in_use[carrier] = lives.size();
        lives.push_back(std::move(life));
    }
    for (auto& life : lives) {
        life.days = days_in_positions(life, instruments, now);
    }
    return lives;
}

std::vector<LifeStatistics> life_statistics(std::span<MembraneLife const> lives) {
    std::vector<LifeStatistics> all;
    std::set<fleet::SiteKind> waters;
    std::set<std::string> kinds, sites;
    for (auto const& life : lives) {
        waters.insert(life.water);
        kinds.insert(life.kind);
        sites.insert(life.site);
    }
    all.push_back(statistics_of(lives, [](auto const&) { return true; }));
    for (auto const water : waters) {
        all.push_back(statistics_of(lives, [&](auto const& life) { return life.water == water; }));
        all.back().water = water;
    }
    for (auto const& kind : kinds) {
        all.push_back(statistics_of(lives, [&](auto const& life) { return life.kind == kind; }));
        all.back().kind = kind;
    }
    for (auto const& site : sites) {
        all.push_back(statistics_of(lives, [&](auto const& life) { return life.site == site; }));
        all.back().site = site;
    }
    return all;
}

}  // namespace probekeeper::service

#include "live/lessons.h"

#include <algorithm>
#include <iterator>

#include "pipeline/setup_of.h"

namespace probekeeper::live {
namespace {

// A membrane of this kind in this kind of water.
using Sort = std::pair<std::string, fleet::SiteKind>;

bool asks_for_membrane(service::Ticket const& ticket) {
    return ticket.state != service::State::serviced &&
           std::any_of(ticket.parts.begin(), ticket.parts.end(),
                       [](service::Part const& part) { return part.part == "membrane"; });
}

std::optional<Timestamp> day_of(service::Ticket const& ticket) {
    return ticket.postponed_until ? std::max(ticket.postponed_until, ticket.due) : ticket.due;
}

estimate::Weibull lasts(std::vector<service::MembraneLife> const& lives, Sort const& sort) {
    std::vector<estimate::Life> lengths;
    for (auto const& life : lives) {
        if (life.kind == sort.first && life.water == sort.second) {
            lengths.push_back({life.days, life.worn()});
        }
    }
    return estimate::fit_weibull(lengths, service::usual_lives());
}

// Of the membrane that is in use in the position; none where no record tells its beginning.
std::optional<double> age_in(std::string const& probe, std::vector<service::MembraneLife> const& lives,
                             std::string const& serial) {
    for (auto const& life : lives) {
        if (!life.ended &&
            (serial.empty() ? life.serial.empty() && life.probe == probe : life.serial == serial)) {
            return life.days;
        }
    }
    return std::nullopt;
}

}  // namespace

std::map<std::string, service::Position> positions_of(fleet::Fleet const& fleet) {
    std::map<std::string, service::Position> positions;
    for (auto const& probe : fleet.probes) {
        auto const& site = fleet.sites[probe.site];
        positions[probe.id] = {site.id, probe.membrane, site.kind};
    }
    return positions;
}

History history_of(std::vector<service::KeptRecord> records, std::vector<service::Ticket> tickets,
                   std::map<std::string, std::string> sites, fleet::Fleet const& fleet) {
    History history{std::move(records), std::move(tickets), std::move(sites), std::nullopt};
    history.instruments.emplace(pipeline::configured_serials(fleet), history.records);
    return history;
}

store::Result<History> read_history(store::Reader& reader, fleet::Fleet const& fleet) {
    std::vector<service::Ticket> all;
    std::map<std::string, std::string> sites;
    auto known = reader.probes();
    auto records = reader.all_records();
    if (!known || !records) {
        return known ? records.error() : known.error();
    }
    for (auto const& probe : known.value()) {
        sites[probe.id] = probe.site;
    }
    store::PageRequest page{1000, std::nullopt};
    do {
        auto tickets = reader.tickets({}, page);
        if (!tickets) {
            return tickets.error();
        }
        std::move(tickets.value().items.begin(), tickets.value().items.end(), std::back_inserter(all));
        page.after = tickets.value().next;
    } while (page.after);
    return history_of(std::move(records.value()), std::move(all), std::move(sites), fleet);
}

std::vector<service::MembraneLife> lives_of(fleet::Fleet const& fleet, History const& history,
                                            Timestamp now) {
    return service::membrane_lives(history.records, *history.instruments, positions_of(fleet),
                                   history.tickets, now);
}

// Of all sites first: an instrument may have come from another one, and brought its membrane.
std::vector<service::MembraneLife> lives_at(std::string const& site, fleet::Fleet const& fleet,
                                            History const& history, Timestamp now) {
    auto lives = lives_of(fleet, history, now);
    std::erase_if(lives, [&](service::MembraneLife const& life) { return life.site != site; });
    return lives;
}

bool was_in(service::MembraneLife const& life, std::string const& probe,
            service::Instruments const& instruments) {
    auto const carrier = instruments.all().find(life.serial);
    if (life.probe == probe || carrier == instruments.all().end()) {
        return life.probe == probe;
    }
    auto const& stays = carrier->second.stays;
    return std::any_of(stays.begin(), stays.end(), [&](service::Stay const& stay) {
        return stay.probe == probe && (!stay.until || *stay.until > life.installed) &&
               (!life.ended || !stay.from || *stay.from < *life.ended);
    });
}

std::vector<service::NextMembrane> next_membranes(fleet::Fleet const& fleet,
                                                  std::vector<Candidate> const& candidates,
                                                  std::vector<service::MembraneLife> const& lives,
                                                  service::Instruments const& instruments) {
    std::map<Sort, estimate::Weibull> by_sort;
    std::vector<service::NextMembrane> all;
    for (auto const& candidate : candidates) {
        auto const& probe = fleet.probes[candidate.probe];
        Sort const sort{probe.membrane, fleet.sites[probe.site].kind};
        auto known = by_sort.find(sort);
        if (known == by_sort.end()) {
            known = by_sort.emplace(sort, lasts(lives, sort)).first;
        }
        service::NextMembrane next;
        next.probe = probe.id;
        next.membrane = probe.membrane;
        next.asked_for = candidate.ticket && asks_for_membrane(*candidate.ticket);
        next.due = next.asked_for ? day_of(*candidate.ticket) : std::nullopt;
        next.forecast = candidate.forecast;
        next.age_days = age_in(probe.id, lives, instruments.serial_now(probe.id));
        next.lasts = known->second;
        all.push_back(std::move(next));
    }
    return all;
}

}  // namespace probekeeper::live

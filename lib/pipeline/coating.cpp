#include "pipeline/coating.h"

#include <algorithm>
#include <cmath>
#include <vector>

namespace probekeeper::pipeline {
namespace {

// Of ln T90 a day. However alike past lives were, the next one may be another. A guess.
constexpr double least_error = 0.01;
// Standard deviation of the logarithm of a life whose Weibull shape is 1: pi / sqrt(6), of Gumbel's
// distribution.
constexpr double ln_spread = 1.2825498301618641;

// Almost always there is none: then nobody has to make lives out of records.
bool any_slow(service::TicketBook const& tickets, Timestamp at) {
    return std::any_of(tickets.tickets().begin(), tickets.tickets().end(), [&](auto const& numbered) {
        auto const& reasons = numbered.second.reasons;
        return std::any_of(reasons.begin(), reasons.end(), [&](service::TicketReason const& reason) {
            return reason.finding.reason == diagnosis::Reason::slow_response &&
                   reason.finding.raised_at <= at;
        });
    });
}

// A ticket of the position had the reason when the membrane was changed. Whether its history tells of that
// work already does not matter: live it does, in a replay it is about to.
bool ended_by_slowness(service::MembraneLife const& life, service::TicketBook const& tickets) {
    return std::any_of(tickets.tickets().begin(), tickets.tickets().end(), [&](auto const& numbered) {
        auto const& ticket = numbered.second;
        return ticket.probe == life.probe &&
               std::any_of(ticket.reasons.begin(), ticket.reasons.end(),
                           [&](service::TicketReason const& reason) {
                               return reason.finding.reason == diagnosis::Reason::slow_response &&
                                      reason.finding.raised_at <= *life.ended &&
                                      (!reason.cleared_at || *reason.cleared_at >= *life.ended);
                           });
    });
}

}  // namespace

std::optional<diagnosis::CoatingPrior> coating_of(std::string const& probe, double t90_ratio, Timestamp at,
                                                  std::span<service::KeptRecord const> of_site,
                                                  service::Instruments const& instruments,
                                                  std::map<std::string, service::Position> const& positions,
                                                  service::TicketBook const& tickets) {
    if (!any_slow(tickets, at)) {
        return std::nullopt;
    }
    auto const later =
        std::upper_bound(of_site.begin(), of_site.end(), at,
                         [](Timestamp t, service::KeptRecord const& kept) { return t < kept.record.time; });
    auto const known = std::span{of_site.begin(), later};
    std::vector<estimate::Life> lengths;
    bool any_ended = false;
    for (auto const& life : service::membrane_lives(known, instruments, positions, {}, at)) {
        if (life.kind != positions.at(probe).membrane) {
            continue;
        }
        bool const ended = life.ended && ended_by_slowness(life, tickets);
        lengths.push_back({life.days, ended});
        any_ended = any_ended || ended;
    }
    if (!any_ended) {
        return std::nullopt;
    }
    auto const lasts = estimate::fit_weibull(lengths, service::usual_lives());
    double const slope = std::log(t90_ratio) / std::max(lasts.quantile(0.5), 1.0);
    return diagnosis::CoatingPrior{slope, std::hypot(slope * ln_spread / lasts.shape, least_error)};
}

}  // namespace probekeeper::pipeline

#include "service/findings.h"

#include <set>
#include <tuple>

#include "estimate/proportion.h"

namespace probekeeper::service {
namespace {

// Orders the answer: everywhere, kinds, sites.
enum class Scope : std::uint8_t { everywhere, kind, site };
using Key = std::tuple<Scope, std::string, diagnosis::Reason>;

void count(ReasonTally& tally, Found found) {
    switch (found) {
        case Found::as_diagnosed:
            ++tally.as_diagnosed;
            return;
        case Found::other_fault:
            ++tally.other_fault;
            return;
        case Found::no_fault_found:
            ++tally.no_fault_found;
            return;
        case Found::not_looked:
            ++tally.not_looked;
            return;
    }
}

std::set<diagnosis::Reason> reasons_of(Ticket const& ticket) {
    std::set<diagnosis::Reason> reasons;
    for (auto const& reason : ticket.reasons) {
        reasons.insert(reason.finding.reason);
    }
    return reasons;
}

}  // namespace

std::optional<double> ReasonTally::right() const {
    return looked() == 0 ? std::nullopt
                         : std::optional{static_cast<double>(as_diagnosed) / static_cast<double>(looked())};
}

std::optional<std::pair<double, double>> ReasonTally::right_interval() const {
    if (looked() == 0) {
        return std::nullopt;
    }
    auto const interval = estimate::share_interval(as_diagnosed, looked(), 0.9);
    return std::pair{interval.low, interval.high};
}

std::vector<ReasonTally> tally_findings(std::span<Ticket const> tickets,
                                        std::map<std::string, fleet::SiteKind> const& kinds) {
    std::map<Key, ReasonTally> tallies;
    for (auto const& ticket : tickets) {
        if (!ticket.found) {
            continue;
        }
        auto const known = kinds.find(ticket.site);
        auto const kind = known == kinds.end() ? std::nullopt : std::optional{known->second};
        for (auto const reason : reasons_of(ticket)) {
            auto const take = [&](Key key, std::optional<std::string> site,
                                  std::optional<fleet::SiteKind> of) {
                auto& tally = tallies[std::move(key)];
                tally.reason = reason;
                tally.site = std::move(site);
                tally.kind = of;
                count(tally, *ticket.found);
            };
            take({Scope::everywhere, "", reason}, std::nullopt, std::nullopt);
            if (kind) {
                take({Scope::kind, std::string{fleet::to_word(*kind)}, reason}, std::nullopt, kind);
            }
            take({Scope::site, ticket.site, reason}, ticket.site, kind);
        }
    }
    std::vector<ReasonTally> all;
    for (auto& [key, tally] : tallies) {
        all.push_back(std::move(tally));
    }
    return all;
}

}  // namespace probekeeper::service

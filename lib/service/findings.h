// What people found when they closed tickets: how often each reason was right.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "diagnosis/verdict.h"
#include "fleet/fleet.h"
#include "service/ticket.h"

namespace probekeeper::service {

// How the tickets ended that gave one reason, at one site, at all sites of one kind, or everywhere.
struct ReasonTally {
    diagnosis::Reason reason = diagnosis::Reason::slow_response;
    std::optional<std::string> site;      // none: more than one site
    std::optional<fleet::SiteKind> kind;  // of water; none: everywhere, or a site that is configured no more
    std::int64_t as_diagnosed = 0, other_fault = 0, no_fault_found = 0, not_looked = 0;

    // Tickets where somebody looked: only they can say whether the reason was right.
    [[nodiscard]] std::int64_t looked() const { return as_diagnosed + other_fault + no_fault_found; }
    [[nodiscard]] std::int64_t closed() const { return looked() + not_looked; }
    // as_diagnosed of looked(), and its 90 % interval, see estimate/proportion.h. Both only where somebody
    // looked.
    [[nodiscard]] std::optional<double> right() const;
    [[nodiscard]] std::optional<std::pair<double, double>> right_interval() const;
};

// Everywhere first, then by kind of water, then by site; each by reason, leaving out what nobody closed. A
// ticket counts once for every different reason on it, whether it had cleared by then or not; tickets without
// `found` do not count. `kinds`: of the water at the sites.
[[nodiscard]] std::vector<ReasonTally> tally_findings(std::span<Ticket const> tickets,
                                                      std::map<std::string, fleet::SiteKind> const& kinds);

}  // namespace probekeeper::service

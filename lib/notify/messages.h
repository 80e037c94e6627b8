// What is told to whom, and when: from a ticket's steps and outages to messages. Pure.
#pragma once

#include <string>
#include <vector>

#include "fleet/fleet.h"
#include "fleet/notice.h"
#include "service/ticket.h"
#include "store/values.h"

namespace probekeeper::notify {

// The messages about a ticket's history from entry `first` on, to every [[notice]] that asks for them. Each
// step and each new reason is one message to each; that a reason comes and goes while the ticket stays where
// it is, is none. A message's id is the notice's, the ticket's and the entry's number, so that it is the same
// however often it is made.
//
// A reason of a ticket of urgency now is told at once. The rest can wait: for the digest of the day where
// there is one, and else until the quiet hours of the site are over.
[[nodiscard]] std::vector<store::Notice> of_ticket(fleet::Fleet const& fleet,
                                                   std::vector<fleet::NoticeSettings> const& receivers,
                                                   service::Ticket const& ticket, std::size_t first,
                                                   Timestamp now);

// That a site, or one of its lines, fell silent as a whole or answers again: the `no_communication` of all
// its probes in one message, to every [[notice]] that asks for this reason, for the site and for the use of
// one of the probes. Its urgency is now where a probe of use control or alarm is among them, and it is told
// at once then; else this_week.
struct Outage {
    fleet::SiteIndex site = 0;
    std::optional<fleet::LineIndex> line;  // empty: the whole site
    Timestamp began{};                     // the last reading; the epoch: there was none
    bool over = false;
    bool operator==(Outage const&) const = default;
};
[[nodiscard]] std::vector<store::Notice> of_outage(fleet::Fleet const& fleet,
                                                   std::vector<fleet::NoticeSettings> const& receivers,
                                                   Outage const& outage, Timestamp now);

// One message out of several of the same receiver, site and digest, in their order; at least one. Its id
// comes from the first of them.
[[nodiscard]] store::Notice digest_of(std::vector<store::Notice> const& items, Timestamp now);

}  // namespace probekeeper::notify

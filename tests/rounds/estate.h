// A small contractor: a depot, two technicians, four sites.
#pragma once

#include "rounds/compose.h"

namespace probekeeper::rounds {

[[nodiscard]] fleet::Fleet small_estate();
// An open ticket of site and probe "<site>-1", due on a day if one is given.
[[nodiscard]] service::Ticket ticket_at(std::string const& site, service::Urgency urgency,
                                        std::string const& due = {});
[[nodiscard]] Asked asked_for(std::string const& week, std::string const& now,
                              std::vector<service::Ticket> tickets);
[[nodiscard]] Timestamp at(std::string const& rfc3339);

}  // namespace probekeeper::rounds

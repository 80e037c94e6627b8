// What the store's records and tickets teach of the estate as it is configured now: pure once they are read.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

#include "fleet/fleet.h"
#include "service/instruments.h"
#include "service/membranes.h"
#include "service/parts.h"
#include "service/record.h"
#include "service/ticket.h"
#include "store/reader.h"

namespace probekeeper::live {

struct History {
    std::vector<service::KeptRecord> records;         // of all sites
    std::vector<service::Ticket> tickets;             // of all sites, finished ones too
    std::map<std::string, std::string> sites;         // of every probe ever known, by its id
    std::optional<service::Instruments> instruments;  // by all of these records
};
// `sites`: of every probe ever known, by its id.
[[nodiscard]] History history_of(std::vector<service::KeptRecord> records,
                                 std::vector<service::Ticket> tickets,
                                 std::map<std::string, std::string> sites, fleet::Fleet const& fleet);
[[nodiscard]] store::Result<History> read_history(store::Reader& reader, fleet::Fleet const& fleet);

[[nodiscard]] std::map<std::string, service::Position> positions_of(fleet::Fleet const& fleet);

[[nodiscard]] std::vector<service::MembraneLife> lives_of(fleet::Fleet const& fleet, History const& history,
                                                          Timestamp now);

// Of these, those that are counted at `site`.
[[nodiscard]] std::vector<service::MembraneLife> lives_at(std::string const& site, fleet::Fleet const& fleet,
                                                          History const& history, Timestamp now);

// Whether the membrane was in that position at any time of its life.
[[nodiscard]] bool was_in(service::MembraneLife const& life, std::string const& probe,
                          service::Instruments const& instruments);

// A probe whose next membrane is looked for, and what stands of it now.
struct Candidate {
    fleet::ProbeIndex probe = 0;
    std::optional<service::Ticket> ticket;  // its unfinished one
    std::optional<diagnosis::Forecast> forecast;
};
[[nodiscard]] std::vector<service::NextMembrane> next_membranes(
    fleet::Fleet const& fleet, std::vector<Candidate> const& candidates,
    std::vector<service::MembraneLife> const& lives, service::Instruments const& instruments);

}  // namespace probekeeper::live

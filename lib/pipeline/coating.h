// What past membranes teach of the next one: how quickly probes at a site coat.
#pragma once

#include <map>
#include <optional>
#include <span>
#include <string>

#include "diagnosis/setup.h"
#include "service/instruments.h"
#include "service/membranes.h"
#include "service/record.h"
#include "service/ticket_book.h"

namespace probekeeper::pipeline {

// For a membrane of the kind that `probe` takes, put on at `at`. Lives that slowness ended by then are what
// it is made of, those that go on or ended otherwise have lasted at least so long; empty where slowness has
// ended none yet. A probe reaches `t90_ratio` within its life, so that is how quickly it slows.
//
// `of_site` is in order of time. Only what was known at `at` counts, of this site alone: a record that comes
// later, of whatever time, changes it only where diagnosis is made again from that record on, as it is for
// records of the site.
[[nodiscard]] std::optional<diagnosis::CoatingPrior> coating_of(
    std::string const& probe, double t90_ratio, Timestamp at, std::span<service::KeptRecord const> of_site,
    service::Instruments const& instruments, std::map<std::string, service::Position> const& positions,
    service::TicketBook const& tickets);

}  // namespace probekeeper::pipeline

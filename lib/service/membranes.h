// The lives of membranes, made out of records and tickets whenever somebody asks: a record that comes late or
// is voided changes them, and nothing else has to be kept.
#pragma once

#include <map>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "estimate/survival.h"
#include "fleet/fleet.h"
#include "service/instruments.h"
#include "service/record.h"
#include "service/ticket.h"

namespace probekeeper::service {

// What a life depends on, of each configured position.
struct Position {
    std::string site, membrane;  // the kind that it takes; may be empty
    fleet::SiteKind water = fleet::SiteKind::aquaculture;
};

// A membrane goes where its instrument goes.
struct MembraneLife {
    std::string serial;  // of the instrument; empty: nobody named it
    std::string probe;   // the position where it was put on, or where it was when first known of
    std::string site, kind;
    fleet::SiteKind water = fleet::SiteKind::aquaculture;
    Timestamp installed{};
    std::optional<Timestamp> ended;
    // The reason on the ticket that the change answered; none: it was changed by plan, or is in use.
    std::optional<diagnosis::Reason> ended_by;
    int wipes = 0;
    double days = 0.0;  // in positions, not in the workshop

    [[nodiscard]] bool worn() const { return ended_by.has_value(); }
};

// In order of installation, of those that a record tells the beginning of. `positions` by probe id; lives at
// positions that are configured no more keep an empty site.
[[nodiscard]] std::vector<MembraneLife> membrane_lives(std::span<KeptRecord const> records,
                                                       Instruments const& instruments,
                                                       std::map<std::string, Position> const& positions,
                                                       std::span<Ticket const> tickets, Timestamp now);

// How long membranes last until they are worn: those in use, and those changed by plan, have lasted at least
// so long. A group is all of them, or those of one kind of water, one membrane kind, or one site.
struct LifeStatistics {
    std::optional<fleet::SiteKind> water;
    std::optional<std::string> kind, site;
    int lives = 0, worn = 0, by_plan = 0, in_use = 0;
    std::vector<estimate::SurvivalStep> curve;  // days
    std::optional<double> median_days;
    // With a weak prior (see usual_lives), so that a young daemon has an expectation too.
    estimate::Weibull weibull;
};

// All first, then by water, membrane kind and site.
[[nodiscard]] std::vector<LifeStatistics> life_statistics(std::span<MembraneLife const> lives);

// What is held of membranes before any has been seen to end: half a year, wearing rather than failing early,
// either to within a factor of two. Common practice, no source.
[[nodiscard]] estimate::WeibullPrior usual_lives();

}  // namespace probekeeper::service

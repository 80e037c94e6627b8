// From tickets, forecasts and contracts to a week's problem, and from its plan to the round that people read.
// Reads no clock; zones come from the machine's tz database.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "fleet/fleet.h"
#include "rounds/round.h"
#include "rounds/search.h"
#include "service/out_of_use.h"

namespace probekeeper::rounds {

inline constexpr double price_unit = 1e6;  // of the currency, in a Price

// Somebody who cannot be given anything on a day, beside the absences that the configuration knows.
struct Taken {
    std::string technician;
    std::chrono::year_month_day date{};
};

// A probe without a ticket that is expected to need one.
struct Expected {
    std::string probe;
    diagnosis::Forecast forecast;
};

struct Asked {
    zone::Week week;
    Timestamp now{};  // nothing is planned before it
    // Those postponed or planned for another week, and finished ones, are passed over.
    std::vector<service::Ticket> tickets;
    std::vector<Expected> expected;               // of probes with an unfinished ticket they are passed over
    std::vector<service::OutOfUse> out_of_use;    // nobody goes to a probe that is parked
    std::map<std::string, Timestamp> last_visit;  // by site, for checks by contract; none: never
    std::map<std::string, double> membrane_life_days;  // by probe, a whole life as known; else 180 days
    std::vector<Taken> taken;
};

// The work at one probe.
struct Task {
    std::size_t site = 0;
    RoundJob job;
    double settle_minutes = 0.0;  // after hands, before the last work at the probe
    double last_minutes = 0.0;    // of the hands' minutes, those after settling
    bool due = false;             // this week; else done only where somebody is there anyway
    Price late_a_day = 0;
    int due_day = 0;  // from Monday; below 0: before the week
    // Somebody promised it: from Monday, and a place in Fleet::technicians.
    std::optional<int> on_day;
    std::optional<std::size_t> by;
    std::optional<Timestamp> from, until;  // the probe is in use between them
};

struct Composed {
    Week week;
    std::vector<std::vector<Task>> tasks;     // by visit
    std::vector<NotReached> left;             // not in the problem at all
    std::vector<std::string> why_impossible;  // by visit; empty: some shift could make it
    Timestamp zero{};                         // tick 0
};

[[nodiscard]] Composed compose(fleet::Fleet const& fleet, Asked const& asked);

// How long a visit takes with its probes settling beside each other, sign-in and unpacking included.
[[nodiscard]] double visit_minutes(std::vector<Task> const& tasks, double sign_in_minutes);

[[nodiscard]] Round to_round(fleet::Fleet const& fleet, Asked const& asked, Composed const& composed,
                             Plan const& plan);

// All of it: searched, and where it is small proved.
[[nodiscard]] Round plan_round(fleet::Fleet const& fleet, Asked const& asked, SearchSettings const& settings);

}  // namespace probekeeper::rounds

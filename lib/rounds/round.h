// The week's round as people read it: who goes where, when, why, with what.
#pragma once

#include <chrono>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "base/time.h"
#include "service/ticket.h"
#include "zone/week.h"

namespace probekeeper::rounds {

struct RoundJob {
    std::string probe, ticket;  // ticket is empty for a check by contract
    std::string location, serial;
    std::vector<std::string> work;
    double minutes = 0.0;  // of a person's hands; settling goes on beside other work
    std::string why_now;   // a sentence
    std::string evidence;  // one line; may be empty
    bool pulled_forward = false;
    double life_price = 0.0;  // of the membrane life that is thrown away by doing it now
    std::vector<service::Part> parts;
    std::vector<std::string> cautions;
};

struct RoundStop {
    std::string site, site_name, address, access_notes;
    Timestamp arrive{}, leave{};
    std::vector<RoundJob> jobs;
};

struct RoundDay {
    std::chrono::year_month_day date{};
    Timestamp depart{}, home{};
    double drive_minutes = 0.0, work_minutes = 0.0;
    std::vector<std::string> with;  // other technicians who go along
    std::string lead;  // who has the form and the parts, where this is the sheet of one who goes along
    std::vector<RoundStop> stops;
};

struct RoundTechnician {
    std::string technician, name, time_zone;
    std::vector<RoundDay> days;
    std::vector<service::Part> load;  // for the whole week
};

struct NotReached {
    std::string ticket, probe, why;
};

// Of a published round: a visit that changed its person, its day, or its hour by more than half of one.
struct Moved {
    std::string site, was_technician, technician;
    Timestamp was{}, now{};
};

struct Round {
    zone::Week week;
    std::optional<Timestamp> published_at;
    int revision = 0;      // counts what was published of the week
    bool differs = false;  // from what was published last: people have not been told of it yet
    std::vector<RoundTechnician> technicians;
    std::vector<NotReached> not_reached;
    std::vector<Moved> moved;     // since the revision before
    double price = 0.0;           // what the plan is judged by, in the configured currency
    std::optional<double> bound;  // no plan of these visits costs less; equal to the price: proved the best
    bool cut_short = false;       // by a limit in time
    // The names of those whom only_of() left out, by id: some of them go along. Written in no document.
    std::map<std::string, std::string> others;
};

// As people call them; the id where nobody named them.
[[nodiscard]] std::vector<std::string> names_of(Round const& round,
                                                std::vector<std::string> const& technicians);

// Where somebody goes along with another, whose day it is told under.
struct JoinedDay {
    std::chrono::year_month_day date{};
    std::string technician;
};
[[nodiscard]] std::vector<JoinedDay> joins_of(Round const& round, std::string const& technician);

// The days of one technician, those included on which he goes along with another: they are then told as his
// own, with the other as company.
[[nodiscard]] Round only_of(Round round, std::string const& technician);

// The parts of all these days together.
[[nodiscard]] std::vector<service::Part> load_of(std::vector<RoundDay> const& days);

}  // namespace probekeeper::rounds

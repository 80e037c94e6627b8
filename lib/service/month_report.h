// What a customer is owed for a month at one site: what was checked, what was found and done, and for how
// much of the time each probe could be judged at all and was good.
#pragma once

#include <map>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "diagnosis/verdict.h"
#include "service/membranes.h"
#include "service/out_of_use.h"
#include "service/record.h"
#include "service/ticket.h"

namespace probekeeper::service {

// From one instant on the probe's condition was this.
struct ConditionChange {
    Timestamp at{};
    diagnosis::Condition condition = diagnosis::Condition::unknown;
};

struct ReportedProbe {
    std::string id, location;
    std::vector<ConditionChange> conditions;     // by time; may begin before the month
    std::vector<diagnosis::ResponseTest> tests;  // by time, of the month
    std::vector<Absence> absences;
};

struct ReportSource {
    std::string site;
    Timestamp from{}, until{};  // the month, by the site's own calendar
    Timestamp now{};            // a month that goes on is told up to here
    std::vector<ReportedProbe> probes;
    std::vector<Ticket> tickets;      // of the site
    std::vector<KeptRecord> records;  // of the site
    std::vector<MembraneLife> lives;  // of the site
};

// Shares of the time that the report covers; together 1.
struct TimeShares {
    double good = 0.0;
    double maintenance_required = 0.0, out_of_specification = 0.0, failure = 0.0;
    double function_check = 0.0;  // in somebody's hands
    double unknown = 0.0;         // nothing tested it, or nothing was known of it yet
    double out_of_use = 0.0;

    [[nodiscard]] double judged() const {
        return good + maintenance_required + out_of_specification + failure;
    }
};

// In order, without gaps, over the time that the report covers.
struct ConditionSpan {
    Timestamp from{}, until{};
    diagnosis::Condition condition = diagnosis::Condition::unknown;
    bool out_of_use = false;  // then the condition says nothing
    bool operator==(ConditionSpan const&) const = default;
};

struct MonthTest {
    Timestamp at{};
    double t90_20_s = 0.0;
    bool used = false;
};

struct ProbeMonth {
    std::string id, location;
    TimeShares time;
    std::vector<ConditionSpan> spans;
    std::vector<MonthTest> tests;  // by time
    int response_tests = 0, response_tests_used = 0, reference_checks = 0, calibrations = 0;
    std::optional<double> first_t90_s, last_t90_s;  // of used tests, at 20 degC
};

struct TicketMonth {
    std::string id, probe;
    State state = State::open;
    Timestamp opened_at{};
    std::optional<Timestamp> ended_at;  // verified, closed or withdrawn within the month
    std::vector<std::string> reasons;   // sentences
    std::string how;                    // what history says of the end; empty while it goes on
};

struct WorkMonth {
    Timestamp at{};
    std::string probe, by, note;
    Work kind = Work::inspection;
};

struct MonthReport {
    std::string site;
    Timestamp from{}, until{};
    bool complete = true;  // else it is told up to `until`, and the month goes on
    std::vector<ProbeMonth> probes;
    std::vector<TicketMonth> tickets;      // alive at any time of the month, by opening
    std::vector<WorkMonth> work;           // by time, voided records left out
    std::map<std::string, int> membranes;  // put on in the month, by kind
};

[[nodiscard]] MonthReport month_report(ReportSource const& source);

}  // namespace probekeeper::service

// The tickets of one site: opened, joined, cleared and proved by diagnoses, moved on by people.
//
// One probe has at most one unfinished ticket. What a finding is, is told by (reason, raised_at): one that
// any ticket of its probe already carries - finished ones too - never opens or joins a ticket again, so a
// person's `close` holds and a restart may feed the same readings again. Of a withdrawn ticket that is so up
// to its end: a later diagnosis that shows the finding after all, made again with readings that came late,
// opens a new one.
//
// Every function gives the tickets that it changed, as they now stand: whoever keeps tickets writes exactly
// those. Not safe for concurrent use. No clock: diagnoses, records and people's steps bring their times.
#pragma once

#include <chrono>
#include <cstdint>
#include <map>
#include <string>
#include <utility>
#include <vector>

#include "diagnosis/verdict.h"
#include "service/probe_facts.h"
#include "service/record.h"
#include "service/steps.h"
#include "service/ticket.h"

namespace probekeeper::service {

class TicketBook {
public:
    // `next_number`: of the next ticket; raised above every number in `tickets`. `tickets`: all unfinished
    // ones and as many finished ones as could still be told again; only tickets in here can be found, and
    // closed.
    TicketBook(std::string site, std::int64_t next_number, std::vector<Ticket> tickets);

    // Takes a diagnosis into the probe's ticket. One that is older than the newest considered of this probe,
    // or of a probe out of use, changes nothing. Reasons neither clear nor prove anything while the probe is
    // in hand or settling. The figures of a reason that merely goes on are taken over
    // when they moved noticeably (value, interval or limit by 5 %, probability by 0.05, a day by a day), or
    // once a day; and not while the ticket is serviced, where they are what stood before the work.
    std::vector<Ticket> consider(ProbeFacts const& probe, diagnosis::Diagnosis const& diagnosis);

    // Work on the probe: its unfinished ticket becomes serviced, by the record's time. A record from before
    // the ticket was opened is no answer to it, and the same record again changes nothing.
    std::vector<Ticket> record(Record const& record);

    // A record is voided: a ticket that is serviced by nobody else's work goes back to the state before.
    std::vector<Ticket> voided(Record const& record, std::string const& by, std::string const& why,
                               Timestamp at);

    // The probe left the configuration.
    std::vector<Ticket> withdraw_probe(std::string const& probe, Timestamp at, std::string const& why);

    // People's steps, by the table of the interface. A refused step changes nothing.
    StepResult acknowledge(std::string const& id, std::string const& by, std::string const& note,
                           Timestamp at);
    StepResult plan(std::string const& id, std::string const& by, Date date, std::string const& assigned_to,
                    Timestamp at);
    // `until` must lie after `at`, and `why` says something. A failure that joins ends the postponement.
    StepResult postpone(std::string const& id, std::string const& by, Timestamp until, std::string const& why,
                        Timestamp at);
    StepResult visit(std::string const& id, std::string const& by, Outcome outcome, Timestamp at);
    StepResult close(std::string const& id, std::string const& by, Found found, std::string const& note,
                     Timestamp at);
    // The first time counts; history and updated_at stay as they are.
    StepResult seen(std::string const& id, Timestamp at);

    [[nodiscard]] Ticket const* find(std::string const& id) const;           // null: not in the book
    [[nodiscard]] Ticket const* unfinished(std::string const& probe) const;  // null: there is none
    [[nodiscard]] std::map<std::int64_t, Ticket> const& tickets() const { return tickets_; }  // by number
    [[nodiscard]] std::int64_t next_number() const { return next_number_; }

private:
    using Identity = std::pair<diagnosis::Reason, Timestamp>;
    struct Known {                           // of one probe
        std::map<Identity, Timestamp> told;  // up to which diagnosis it is not to be told again
        std::int64_t unfinished = 0;         // number of the ticket; 0: none
        Timestamp considered = Timestamp::min();
    };

    void learn(Ticket const& ticket);
    [[nodiscard]] Ticket* unfinished_of(std::string const& probe);
    [[nodiscard]] static std::vector<diagnosis::Finding> untold(Known const& known,
                                                                diagnosis::Diagnosis const& d);
    Ticket& open(ProbeFacts const& probe, Timestamp at);
    template <typename Change>
    StepResult take(std::string const& id, Step step, Change change);

    std::string site_;
    std::int64_t next_number_;
    std::map<std::int64_t, Ticket> tickets_;
    std::map<std::string, Known> probes_;
};

}  // namespace probekeeper::service

// The way of a reading at one site: diagnosis, then tickets. The same code live, in replay and when a restart
// feeds what a checkpoint does not know yet; whoever feeds it owns clocks, files and threads.
#pragma once

#include <deque>
#include <map>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "base/reading.h"
#include "diagnosis/site.h"
#include "fleet/fleet.h"
#include "service/instruments.h"
#include "service/membranes.h"
#include "service/out_of_use.h"
#include "service/record.h"
#include "service/ticket_book.h"

namespace probekeeper::pipeline {

// Where results go.
class Sink {
public:
    virtual ~Sink() = default;
    virtual void tested(fleet::ProbeIndex probe, diagnosis::ResponseTest const& test) = 0;
    // `changed`: the condition or the reasons are others than last time.
    virtual void weighed(fleet::ProbeIndex probe, diagnosis::Diagnosis const& diagnosis, bool changed) = 0;
    virtual void ticket(service::Ticket const& ticket) = 0;
    // Somebody begins or ends to work on the probe, as far as readings and records tell.
    virtual void service_changed(fleet::ProbeIndex /*probe*/, diagnosis::ServiceChange const& /*change*/) {}
};

class SitePipeline : private diagnosis::Listener {
public:
    // `fleet` and `sink` must outlive the pipeline.
    SitePipeline(fleet::Fleet const& fleet, fleet::SiteIndex site, service::TicketBook book, Sink& sink);

    // Readings come in order of (time, probe), after the records and downtimes that lie before them.
    void take(fleet::ProbeIndex probe, Reading const& reading);
    // Time passes without readings. Records that lie before `now` take effect.
    void advance(Timestamp now);
    // Waits for its time, which is still to come. False, and nothing done, where it lies at or behind now(),
    // for a record comes before the readings of its instant: then the diagnosis has to be made again from
    // before it, see rewind().
    [[nodiscard]] bool record(service::Record const& record);
    // Where instruments have been, by all records known; to be said anew before a record that changes it.
    void know(service::Instruments instruments) { instruments_ = std::move(instruments); }
    // All records of the site, voided ones too and those still to come; to be said anew before one is taken.
    // Past membranes teach what to expect of the next.
    void know_records(std::vector<service::KeptRecord> of_site);
    // What is out of use, in place of what was said before. Gives the instant from which on that changes
    // something; where it lies at or behind now(), the diagnosis has to be made again from there, see
    // rewind(). Empty: nothing changes.
    std::optional<Timestamp> out_of_use(std::span<service::OutOfUse const> told);
    // One that has never read was not there before `from`: history of other probes may reach back further.
    void expect_from(fleet::ProbeIndex probe, Timestamp from) {
        diagnosis_.expect_from(place_of(probe), from);
    }
    void excuse(Timestamp from, Timestamp to) { diagnosis_.excuse(from, to); }

    // Back to a checkpoint, or (empty) to the very beginning, without touching tickets; false where the bytes
    // are not of this version. What followed must then be fed again, records included.
    [[nodiscard]] bool rewind(std::string_view checkpoint);
    // While feeding again, tickets stay as they are; settle_tickets() afterwards brings them into line.
    void hold_tickets(bool hold) { tickets_held_ = hold; }
    void settle_tickets();

    [[nodiscard]] Timestamp now() const { return diagnosis_.now(); }
    [[nodiscard]] std::string checkpoint() const { return diagnosis_.checkpoint(); }
    [[nodiscard]] diagnosis::Diagnosis verdict(fleet::ProbeIndex probe) const;
    [[nodiscard]] service::TicketBook& book() { return book_; }
    [[nodiscard]] service::TicketBook const& book() const { return book_; }
    [[nodiscard]] std::vector<fleet::ProbeIndex> const& probes() const { return probes_; }

private:
    void tested(std::size_t place, diagnosis::ResponseTest const& test) override;
    void weighed(std::size_t place, diagnosis::Diagnosis const& diagnosis) override;
    void service_changed(std::size_t place, diagnosis::ServiceChange const& change) override;
    void apply_records_until(Timestamp time);
    void consider(std::size_t place, diagnosis::Diagnosis const& diagnosis);
    [[nodiscard]] std::size_t place_of(fleet::ProbeIndex probe) const;
    [[nodiscard]] diagnosis::Handling handling(std::size_t place, service::Record const& record) const;

    struct Told {
        diagnosis::Condition condition = diagnosis::Condition::unknown;
        std::vector<diagnosis::Reason> reasons;
        bool operator==(Told const&) const = default;
    };
    [[nodiscard]] static Told told_by(diagnosis::Diagnosis const& diagnosis);

    Sink& sink_;
    std::string site_;
    std::vector<fleet::ProbeIndex> probes_;
    std::vector<service::ProbeFacts> facts_;
    std::vector<Told> told_;
    std::vector<std::vector<diagnosis::Absence>> absences_;
    std::map<std::string, service::Position> positions_;
    std::vector<service::KeptRecord> records_;  // by time
    service::Instruments instruments_;
    diagnosis::SiteDiagnosis diagnosis_;
    service::TicketBook book_;
    std::deque<service::Record> to_come_;  // by time
    bool tickets_held_ = false;
};

}  // namespace probekeeper::pipeline

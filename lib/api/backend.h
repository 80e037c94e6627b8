// What the HTTP API needs of the daemon. The API owns this interface and knows nothing of what stands behind
// it; the daemon implements it over what it knows in memory and its store.
//
// All functions are called from several threads at once. `health`, `sites`, `site`, `probe` and
// `write_metrics` answer from memory and must not block, because the thread that serves every connection
// calls them. All others may block, for a few seconds at most: they run on the API's pool, and stop() waits
// for those under way.
#pragma once

#include <boost/system/result.hpp>
#include <chrono>
#include <filesystem>
#include <functional>
#include <optional>
#include <stdexcept>
#include <string>
#include <vector>

#include "access/tokens.h"
#include "api/events.h"
#include "api/metrics.h"
#include "base/reading.h"
#include "diagnosis/verdict.h"
#include "document/health.h"
#include "document/instrument.h"
#include "document/probe.h"
#include "document/readings.h"
#include "document/site.h"
#include "paper/month.h"
#include "rounds/round.h"
#include "service/findings.h"
#include "service/membranes.h"
#include "service/month_report.h"
#include "service/out_of_use.h"
#include "service/parts.h"
#include "service/record.h"
#include "service/ticket.h"
#include "service/ticket_book.h"

namespace probekeeper::api {

// Why the daemon did not do what was asked. `message` is a sentence for the client: it names no path.
struct Refusal {
    enum class Kind : std::uint8_t {
        not_found,  // no such site, probe, ticket
        conflict,   // does not fit the present state; `fitting` names the steps that do
        forbidden,  // not for this caller's sites
        invalid,    // `field` has a value that cannot be: a parameter of a GET (400), a field of a body (422)
        unavailable,  // not now: starting, stopping, disk full
        elsewhere,    // of a hub, and no failure: it can be asked of the site `field`, or of those of a
                      // sheet's rows where that is empty; see Backend::forward
    };
    Kind kind = Kind::unavailable;
    std::string message;
    std::string field;
    std::vector<std::string> fitting;
};
[[noreturn]] inline void throw_exception_from_error(Refusal const& refusal, boost::source_location const&) {
    throw std::runtime_error{refusal.message};
}

template <typename T>
using Answer = boost::system::result<T, Refusal>;

// Of a list with a stable order: at most `limit` items behind `after`, a position that an earlier page gave
// as `next`. A position that is not the backend's own is refused as invalid, field "after".
struct PageRequest {
    std::size_t limit = 100;
    std::optional<std::string> after;
};
template <typename T>
struct Page {
    std::vector<T> items;
    std::optional<std::string> next;  // none at the end
};

// What became of the rows of an upload of readings.
struct Upload {
    struct BadRow {
        std::uint64_t line = 0;  // of the body, from 1
        std::string message;
    };
    std::uint64_t rows = 0;      // data rows
    std::uint64_t accepted = 0;  // stored now
    std::uint64_t repeated = 0;  // there already, or twice in the body
    std::uint64_t expired = 0;   // older than what is kept
    std::uint64_t bad = 0;
    std::vector<BadRow> bad_rows;          // the first of them
    std::optional<Timestamp> first, last;  // of the accepted ones
};

// A service record that was taken, and what is said to whoever sent it.
struct TakenRecord {
    service::KeptRecord kept;
    bool repeated = false;  // it was known already, under that number: nothing has changed
    std::vector<std::string>
        questions;  // what does not fit with what else is known; kept as given all the same
    std::vector<std::string> still_to_do;  // what the visit still wants, by what is recorded
};

// What became of the rows of a filled-in round sheet, by line.
struct RecordSheet {
    struct Row {
        std::uint64_t line = 0;  // of the body, from 1
        std::optional<TakenRecord> taken;
        std::string refused;  // why, where it was not taken
    };
    std::vector<Row> rows;
};

// A month at a site, and what a page of it says beside.
struct SiteMonth {
    std::chrono::year_month month{};
    service::MonthReport report;
    paper::MonthFacts facts;
};

struct ProbeFilter {
    std::vector<std::string> sites;  // only of these; empty: of all
    std::optional<std::string> site;
    std::optional<diagnosis::Condition> condition;
};

struct TicketFilter {
    std::optional<std::string> site, probe;
    std::optional<service::State> state;
    std::optional<diagnosis::Reason> reason;  // among the ticket's reasons, cleared ones too
};

struct TimeRange {                  // from <= time < to
    std::optional<Timestamp> from;  // none: from a day before `to`
    std::optional<Timestamp> to;    // none: up to and with the probe's newest reading
};

// The answer to a request that carried an Idempotency-Key, given again for 7 days to the same request.
struct KeptAnswer {
    std::string token, path, key;  // the token's name
    std::string body_hash;
    int status = 200;
    std::string body;
};
// Makes the answer to be kept out of what the command brought about; empty for a request without a key. The
// backend calls it once and commits its result together with the change: were they two commits, a crash
// between them would let a client's second try do the work twice.
template <typename T>
using Keep = std::function<std::optional<KeptAnswer>(T const&)>;

// A week's round, and how it came to be.
struct WeekRound {
    rounds::Round round;
    std::vector<rounds::Round> told;  // what was published of the week, as it came: calendars go on from it
    Timestamp made_at{};              // what the plan knows of is of this hour
    std::optional<double> planning;   // 0..1, how far a newer plan has come; none: this is the newest
};

// A command as it was asked, to be done elsewhere.
struct Command {
    std::string method, path, content_type, body, body_hash;
    std::string who;  // the token's name
    access::Role role = access::Role::read;
    std::vector<std::string> only;   // the sites that the caller is limited to; empty: none
    std::optional<std::string> key;  // Idempotency-Key
    std::string site;                // empty: by the rows of a sheet
};
// What is known of such a command.
struct StepReport {
    struct Outcome {
        Timestamp at{};
        int status = 200;
        std::string content_type, body;
    };
    std::string id, who, method, path, body_hash;
    Timestamp made_at{};
    std::vector<std::string> sites, waiting;  // by id; those that have not said yet what came of it
    std::optional<Outcome> outcome;           // once all have; of a sheet their answers joined
    bool known_before = false;                // to forward(): nothing was asked anew
};

using TicketStep = std::function<service::StepResult(service::TicketBook& book, Timestamp now)>;

// Who changed what by a request; the request's path names it.
struct Change {
    Timestamp at{};
    std::string who, address, method, path;
    int status = 0;
};

// Lists whose answers may be given again while nothing in them changes.
enum class Listed : std::uint8_t { nothing, probes, tickets };
struct DataVersion {
    std::uint64_t generation = 0, changes = 0;
    friend bool operator==(DataVersion const&, DataVersion const&) = default;
};

class Backend {
public:
    virtual ~Backend() = default;

    // Another one whenever the list may have become another: an answer made after it was asked for may be
    // given again for as long as it stays. None: that cannot be told. From memory.
    [[nodiscard]] virtual std::optional<DataVersion> version_of(Listed) const { return std::nullopt; }

    // Whether it answers for other daemons: then nothing comes from memory, whatever is said above, and what
    // people command is done by the site's own daemon.
    [[nodiscard]] virtual bool is_hub() const { return false; }
    // Of a hub: has a command done that was refused as `elsewhere`, and waits a few seconds for what comes of
    // it. Under a key that came before nothing is asked again.
    virtual Answer<StepReport> forward(Command const& /*command*/) {
        return Refusal{Refusal::Kind::unavailable, "this daemon asks no other", {}, {}};
    }
    virtual Answer<StepReport> step_report(std::string const& id) {
        return Refusal{Refusal::Kind::not_found, "there is no step " + id, {}, {}};
    }

    // What is told to those who listen. Must not block.
    virtual EventHub& events() = 0;
    // Of before this process; see EventHub::after.
    virtual Answer<std::vector<Event>> stored_events(std::int64_t after, std::size_t most) = 0;
    // Kept for good, soon. Must not block.
    virtual void note_change(Change const& change) = 0;
    virtual Answer<Page<Change>> changes(PageRequest const& page) = 0;  // newest first
    // Writes what the daemon counts and measures. From memory.
    virtual void write_metrics(MetricsText& out) = 0;

    // CSV, see scada/points.h; of the sites and probes that the filter lets through. Addresses are given
    // whether a Modbus server is configured or not.
    virtual Answer<std::string> scada_points(ProbeFilter const& filter) = 0;

    virtual Answer<document::Health> health() = 0;
    // By id; only of the sites `only`, where it is not empty.
    virtual Answer<Page<document::Site>> sites(std::vector<std::string> const& only,
                                               PageRequest const& page) = 0;
    virtual Answer<document::Site> site(std::string const& id) = 0;
    virtual Answer<Page<document::Probe>> probes(ProbeFilter const& filter,
                                                 PageRequest const& page) = 0;  // by id
    virtual Answer<document::Probe> probe(std::string const& id) = 0;

    // The text of document::to_json(Diagnosis): of a probe in service the newest one, of a removed probe the
    // last.
    virtual Answer<std::string> diagnosis(std::string const& probe) = 0;
    // The same of each day's beginning and of every change of a reason or condition, from <= at < to, by
    // time.
    virtual Answer<Page<std::string>> diagnoses(std::string const& probe, TimeRange const& range,
                                                PageRequest const& page) = 0;
    virtual Answer<Page<Reading>> readings(std::string const& probe, TimeRange const& range,
                                           PageRequest const& page) = 0;
    // Whole steps that touch the range; those without readings are left out.
    virtual Answer<Page<document::Step>> steps(std::string const& probe, TimeRange const& range, Millis step,
                                               PageRequest const& page) = 0;
    virtual Answer<Page<diagnosis::ResponseTest>> response_tests(std::string const& probe,
                                                                 std::optional<Timestamp> from,
                                                                 PageRequest const& page) = 0;  // by time
    virtual Answer<Page<service::KeptRecord>> service_records(
        std::string const& probe,
        PageRequest const& page) = 0;  // by time, number
    // By the site's own calendar; none: the last whole one. One that has not begun is refused as invalid,
    // "month".
    virtual Answer<SiteMonth> site_month(std::string const& site,
                                         std::optional<std::chrono::year_month> month) = 0;
    // By the time they were opened. A site or probe that never had one has none: an empty page.
    virtual Answer<Page<service::Ticket>> tickets(TicketFilter const& filter, PageRequest const& page) = 0;
    virtual Answer<service::Ticket> ticket(std::string const& id) = 0;

    // Commands answer when the change is stored for good. "Now" is the daemon's clock. A record that cannot
    // be of this probe (a time far ahead) is refused as invalid.
    virtual Answer<TakenRecord> add_record(service::Record const& record, Keep<TakenRecord> const& keep) = 0;
    // The rows of a CSV of records, each taken or refused by itself; `only` as in add_readings, by row. A row
    // that says the same as a record in force changes nothing. Refused as a whole where the header row is
    // wrong (invalid, "header") or it has more than 5000 rows.
    virtual Answer<RecordSheet> add_records(std::string const& csv, std::vector<std::string> const& only,
                                            Keep<RecordSheet> const& keep) = 0;
    // A person's step on a ticket: `take` finds it in the book of its site, which then keeps the outcome.
    virtual Answer<service::Ticket> step(std::string const& ticket, TicketStep const& take,
                                         Keep<service::Ticket> const& keep) = 0;
    // The round as it would be, or has been, told. Where it is not yet planned with what is known now, waits
    // a few seconds and then gives an older one, or is unavailable.
    virtual Answer<WeekRound> round(zone::Week week) = 0;
    // Fixes it: from then on it changes as little as possible. Where nothing has changed since it was
    // published last, nothing is published.
    virtual Answer<WeekRound> publish_round(zone::Week week, std::string const& by,
                                            Keep<WeekRound> const& keep) = 0;
    // Forgets what was published but for what has begun; people are told when it is published again.
    virtual Answer<WeekRound> replan_round(zone::Week week, std::string const& by,
                                           Keep<WeekRound> const& keep) = 0;
    // Voids a record of `probe`; history is made again without it. Refused: not_found, conflict where it is
    // voided already, invalid where `why` says nothing.
    virtual Answer<service::KeptRecord> void_record(std::string const& probe, std::int64_t number,
                                                    std::string const& by, std::string const& why,
                                                    Keep<service::KeptRecord> const& keep) = 0;
    // Parks a probe or a whole site, back in time too; `number` and `told_at` are given here. With the number
    // of one that was told before, only its `until` and `ended_by` are taken: the way back.
    virtual Answer<service::OutOfUse> set_out_of_use(service::OutOfUse const& told,
                                                     Keep<service::OutOfUse> const& keep) = 0;
    // What was told of the site, or of the probe and of its whole site; by number.
    virtual Answer<Page<service::OutOfUse>> out_of_use(std::string const& site,
                                                       std::optional<std::string> const& probe,
                                                       PageRequest const& page) = 0;

    // What service has taught. Of one site where it is named (invalid: there is none), else of all.
    virtual Answer<Page<service::ReasonTally>> findings(std::optional<std::string> const& site,
                                                        PageRequest const& page) = 0;
    virtual Answer<Page<service::LifeStatistics>> membrane_statistics(std::optional<std::string> const& site,
                                                                      PageRequest const& page) = 0;
    virtual Answer<service::PartsDemand> parts_demand(std::optional<std::string> const& site, int weeks) = 0;
    // Lives of the membranes that were in that position at any time, by installation.
    virtual Answer<Page<service::MembraneLife>> membranes(std::string const& probe,
                                                          PageRequest const& page) = 0;
    // By serial; only those that have been at the sites `only`, where it is not empty, and only what was
    // there.
    virtual Answer<Page<document::Instrument>> instruments(std::vector<std::string> const& only,
                                                           PageRequest const& page) = 0;
    virtual Answer<document::Instrument> instrument(std::string const& serial,
                                                    std::vector<std::string> const& only) = 0;

    // Stores the readings of a file in the form of a CSV of readings; diagnosis follows by itself, made again
    // from the first of them. Probes must be of the sites `only`, where it is not empty (else forbidden), and
    // fed by CSV (else a conflict); then nothing is stored.
    virtual Answer<Upload> add_readings(std::filesystem::path const& file,
                                        std::vector<std::string> const& only, Keep<Upload> const& keep) = 0;
    // Empty: there is none, or it is older than 7 days.
    virtual Answer<std::optional<KeptAnswer>> kept_answer(std::string const& token, std::string const& path,
                                                          std::string const& key) = 0;
};

}  // namespace probekeeper::api

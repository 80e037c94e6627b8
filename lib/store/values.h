// The values that go into the store and come out of it, beside those of the other rooms. Times are UTC to the
// millisecond; probes and sites are named by their ids, except in the stream of readings.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "base/reading.h"
#include "diagnosis/service_change.h"
#include "diagnosis/verdict.h"
#include "service/out_of_use.h"
#include "service/record.h"
#include "service/ticket.h"
#include "store/feed.h"

namespace probekeeper::store {

// A probe's number in this file, given by Store::enrol once and for all: readings are too many to carry ids.
enum class ProbeKey : std::int64_t {};

// The water of a probe where its readings do not say: with it, one of mg/L and % need not be stored.
struct WaterOfProbe {
    double salinity_psu = 0.0;
    double pressure_hpa = 1013.25;
};

struct FleetProbe {
    std::string id, site;
    WaterOfProbe water{};
};

struct KnownProbe {
    ProbeKey key{};
    std::string id, site;
    Timestamp first_seen{};
    std::optional<Timestamp> removed_at;  // no longer configured; its history stays readable
    WaterOfProbe water{};                 // as it was enrolled last
};

struct ProbeReading {
    ProbeKey probe{};
    Reading reading;
};

struct Appended {
    std::uint64_t written = 0;
    std::uint64_t repeats = 0;  // same probe and time as one already there: ignored
    std::uint64_t expired = 0;  // older than what retention has already deleted: ignored
};

// What the summaries keep of a reading, in the order of Step::quantities.
enum class Quantity : std::uint8_t {
    do_mg_l,
    do_percent,
    temperature_c,
    salinity_psu,
    pressure_hpa,
    airflow
};
inline constexpr std::size_t quantity_count = 6;

// Of the values that were read within a step. Readings marked fault or out_of_range are kept but not used, so
// they count in Step::count and not here. min, mean and max are not_read where count is 0.
struct Spread {
    std::int64_t count = 0;
    double min = not_read, mean = not_read, max = not_read;
};

struct Step {
    Timestamp start{};
    std::int64_t count = 0;   // readings within [start, start + step)
    std::uint16_t marks = 0;  // of any of them
    std::array<Spread, quantity_count> quantities{};
    [[nodiscard]] Spread const& of(Quantity q) const { return quantities[static_cast<std::size_t>(q)]; }
};

struct ProbeTest {
    std::string probe;
    diagnosis::ResponseTest test;
};

// A diagnosis as the API shows it. It always becomes the probe's newest one; `changed` ones also join its
// history (one per probe and instant, the later given wins).
struct ProbeDiagnosis {
    std::string probe;
    Timestamp at{};
    diagnosis::Condition condition = diagnosis::Condition::unknown;
    std::string document;  // JSON
    bool changed = true;
};

// When somebody worked on a probe, as far as it shows.
struct ProbeServiceChange {
    std::string probe;
    diagnosis::ServiceChange change;
};

// The state of a site's diagnosis after all its readings up to and including `position`.
struct Checkpoint {
    std::string site;
    Timestamp position{};
    std::string algorithm;  // version of the algorithms; a state of another version is of no use
    std::vector<std::byte> state;
};

// A site's diagnosis is made again from `from` (a late service record): its response tests and diagnosis
// history with time >= from, its changes of service known at >= from and its checkpoints with position >=
// from are deleted, the newest diagnoses stay until replaced.
struct Rewind {
    std::string site;
    Timestamp from{};
};

struct Voiding {
    std::int64_t number = 0;  // of the record
    Timestamp at{};
    std::string why, by;
};

// The answer given to a request with an Idempotency-Key, to be given again for 7 days.
struct KeptAnswer {
    std::string token, path, key;
    std::string body_hash;
    int status = 200;
    std::string answer;
    Timestamp at{};
};

// What was told to those who listen; see api/events.h.
struct KeptEvent {
    std::int64_t id = 0;
    Timestamp at{};
    std::string kind, site;
    std::string data;  // JSON
};

// Who changed what through the API.
struct Change {
    Timestamp at{};
    std::string who, address, method, path;
    int status = 0;
};

// A step of a week's round: what people were told, or that somebody asked to begin again.
struct KeptRound {
    enum class What : std::uint8_t { published, replanned };
    std::string week;  // "2026-W49"
    What what = What::published;
    Timestamp at{};
    std::string by;        // may be empty
    std::string document;  // JSON of the round that was published; empty where it was replanned
};

// The daemon itself did not run from `stopped_at` (at its next start: the newest reading) to `started_at`.
struct Downtime {
    Timestamp stopped_at{}, started_at{};
};

// A message for one receiver (the id of its [[notice]]), kept until that has taken it.
struct Notice {
    std::string id;  // of this message for all time: one that is given again changes nothing
    std::string receiver, kind, site;
    Timestamp at{};          // when what it tells of happened
    Timestamp not_before{};  // not to be sent before
    std::string digest;      // empty: by itself; else with all others of that word, as one message
    std::string subject, text;
    std::string document;  // JSON
    int tries = 0;         // that failed so far
};

// What became of a message. Those that are not done are tried again at `not_before`.
struct NoticeOutcome {
    enum class Became : std::uint8_t { waiting, taken, gathered, given_up };
    std::string id;
    Became became = Became::waiting;
    Timestamp at{};
    Timestamp not_before{};  // of a waiting one
};

// Work that is committed together or not at all, in the order of the members.
struct Changes {
    std::vector<Rewind> rewinds;
    std::vector<ProbeTest> tests;  // a test found again (same probe, time, source) replaces the former
    std::vector<ProbeDiagnosis> diagnoses;
    std::vector<ProbeServiceChange> service_changes;  // of one probe and instant the one known last counts
    std::vector<service::KeptRecord> records;         // new ones; numbers from reserve_record_number()
    std::vector<Voiding> voidings;
    std::vector<service::OutOfUse> out_of_use;  // new, or known by number: then its end is what changes
    // As they stand now; new or known by site and number. The history must begin with the one that is stored:
    // it is appended, never rewritten, and anything else is a conflict.
    std::vector<service::Ticket> tickets;
    std::vector<Downtime> downtimes;
    std::vector<Checkpoint> checkpoints;
    std::vector<KeptAnswer> answers;
    std::vector<Notice> notices;
    std::vector<NoticeOutcome> notice_outcomes;
    std::vector<KeptEvent> events;
    std::vector<Change> people;
    std::vector<KeptRound> rounds;
    std::optional<FeedChanges> feed;
};

// Readings are kept `raw` and what is derived from them `summary` back from the store's newest reading.
// People's records and tickets, and the newest diagnosis of each probe, never expire.
struct Retention {
    Millis raw = days(400);
    Millis summary = days(1825);
};

struct TicketFilter {
    std::optional<std::string> site, probe;
    std::optional<service::State> state;
    std::optional<diagnosis::Reason> reason;  // among the ticket's reasons, cleared ones too
    bool unfinished_only = false;
};

// One page of a list, and the opaque position to ask on from; empty at the end.
template <typename T>
struct Page {
    std::vector<T> items;
    std::optional<std::string> next;
};

struct PageRequest {
    std::size_t limit = 100;  // 1..10'000
    std::optional<std::string> after;
};

}  // namespace probekeeper::store

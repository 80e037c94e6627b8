// What goes to a hub and comes from it, as the store keeps it: the outbox, and what became of the steps that
// people took at the hub.
//
// The outbox names things, not what they say: a ticket that changes ten times while the hub is away waits
// once, behind all else, and is told as it then is. So it stays as small as the site is. Facts (all but
// summaries) and the hours of summaries are two queues, each in the order of its numbers: a ticket does not
// wait behind a year of hours.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "base/time.h"

namespace probekeeper::store {

enum class FactKind : std::uint8_t {
    site,       // what it is, as the API tells it and as rounds need it
    probe,      // how it is, with its newest diagnosis
    ticket,     // number
    record,     // number; of probe
    parked,     // being out of use; number
    diagnosis,  // of a probe's history; at
    test,       // of a probe; detail: its source; at
    rewind,     // of the site's diagnoses and tests from `at` on nothing holds any more
    event,      // number
    outcome,    // of a step; detail: its id
};
[[nodiscard]] std::string_view to_word(FactKind kind);

// A thing of a site that has changed, by name.
struct Fact {
    FactKind kind = FactKind::site;
    std::string site, probe, detail;
    std::int64_t number = 0;  // or a time in Unix milliseconds
    friend bool operator==(Fact const&, Fact const&) = default;
};

struct WaitingFact {
    std::int64_t seq = 0;
    Fact fact;
};

// The minutes of a probe's hour have changed, and it is over.
struct WaitingHour {
    std::int64_t seq = 0;
    std::string site, probe;
    Timestamp start{};
};

// Of both queues: up to which number.
struct FeedPosition {
    std::int64_t facts = 0, hours = 0;
    friend bool operator==(FeedPosition const&, FeedPosition const&) = default;
};

struct FeedState {
    std::string daemon;              // who this store is, for all time and to every hub
    FeedPosition told;               // what the hub has, as it confirmed
    FeedPosition trying;             // what the hub may have, for the confirmation may have been lost
    FeedPosition given;              // the last numbers there are
    std::vector<std::string> sites;  // that are this daemon's at the hub, and told in full or on their way
};

struct FeedBacklog {
    std::int64_t facts = 0, hours = 0;
    std::optional<Timestamp> oldest;  // since when the first of the facts waits
};

// A step that was taken at the hub, and what came of it here. Told to the hub, and kept, so that it is never
// done again.
struct StepOutcome {
    std::string site, id;
    Timestamp at{};
    int status = 200;
    std::string content_type, body;
};

// What the feed does to the store. In the order of the members.
struct FeedChanges {
    // From now on changes are noted (true), or not any more (false), and then what was noted is forgotten.
    std::optional<bool> feeding;
    // Numbers go on behind these: the hub knows of more than this store, which was restored from a copy.
    std::optional<FeedPosition> go_on_behind;
    std::optional<FeedPosition> told;  // forgets what waits up to there
    std::optional<FeedPosition> trying;
    std::vector<std::string> lost_sites;  // belong to another daemon: what waits of them is forgotten
    std::vector<std::string>
        tell_again;  // sites: everything, from the beginning, as it is; summaries newest first
    std::vector<Fact> facts;
    std::vector<StepOutcome> outcomes;  // a second one of a step changes nothing
    std::optional<Timestamp>
        hours_until;         // those that end until then are over, also where no more readings come
    std::size_t retell = 0;  // of what is to be told again, so many probes' evidence and days join the queues
};

}  // namespace probekeeper::store

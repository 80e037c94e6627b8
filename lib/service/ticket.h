// A ticket: one probe that needs somebody, from the day it shows the need to the proof that the work helped.
#pragma once

#include <chrono>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "base/date.h"
#include "base/time.h"
#include "diagnosis/verdict.h"

namespace probekeeper::service {

enum class State : std::uint8_t { open, acknowledged, planned, serviced, verified, closed, withdrawn };
enum class Urgency : std::uint8_t { now, this_week, next_visit };
enum class Found : std::uint8_t { as_diagnosed, other_fault, no_fault_found, not_looked };

[[nodiscard]] std::string_view to_word(State s);
[[nodiscard]] std::string_view to_word(Urgency u);
[[nodiscard]] std::string_view to_word(Found f);
[[nodiscard]] std::optional<State> state_of(std::string_view word);
[[nodiscard]] std::optional<Urgency> urgency_of(std::string_view word);
[[nodiscard]] std::optional<Found> found_of(std::string_view word);
// verified, closed and withdrawn are finished; a probe has at most one ticket that is not.
[[nodiscard]] bool is_finished(State s);

struct TicketReason {
    diagnosis::Finding finding;           // as it stood when last considered
    std::optional<Timestamp> cleared_at;  // when the evidence went away
};

struct HistoryEntry {
    Timestamp at{};
    State state = State::open;
    std::string by, note;
};

struct Part {
    std::string part;  // "membrane", "o_ring", "electrolyte_ml", "abrasive_pad"
    std::string kind;  // of a membrane, from the configuration; may be empty
    int quantity = 1;
};

// One quantity before and after the work. `limit`: the one that the reason had passed.
struct ProofFigure {
    std::string quantity;                        // "t90" (at 20 degC), "background", "fluctuation", "span"
    std::optional<double> before, after, limit;  // none: not known, or not seen since the work
    std::string unit;                            // of all three
    bool operator==(ProofFigure const&) const = default;
};

// What the readings say of the last work. Of accuracy it says nothing: that takes a reference.
struct Proof {
    Timestamp at{};    // when it was said
    Timestamp work{};  // when the work was done
    bool restored = false;
    std::string text;  // a sentence; with what is still wrong and what to do where not restored
    std::vector<ProofFigure> figures;
    bool operator==(Proof const&) const = default;
};

struct Ticket {
    std::string id;  // "<site>-<number>"
    std::int64_t number = 0;
    std::string site, probe;
    State state = State::open;
    Urgency urgency = Urgency::next_visit;
    Timestamp opened_at{}, updated_at{};
    std::optional<Timestamp> due, postponed_until;
    std::optional<Date> planned_for;  // the site's day of the visit; only while planned, and none again where
                                      // the ticket was postponed beyond it
    std::optional<std::string> assigned_to;
    std::optional<Timestamp> seen;
    std::optional<Found> found;
    std::vector<TicketReason> reasons;
    std::vector<std::string> work;
    std::string meanwhile;
    std::vector<Part> parts;
    std::vector<std::string> cautions;
    std::vector<HistoryEntry> history;
    std::optional<Proof> proof;  // of the last work; none: nothing is proved yet, one way or the other
};

// Whether a reason stands that makes the probe's readings unusable: nobody can agree to wait with that.
[[nodiscard]] bool has_failure(Ticket const& ticket);

}  // namespace probekeeper::service

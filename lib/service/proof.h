// After service: whether the readings since show that the work helped.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "diagnosis/verdict.h"
#include "service/ticket.h"

namespace probekeeper::service {

// The name under which the daemon writes history; no person's entry carries it.
inline constexpr std::string_view daemon_name = "probekeeperd";

// When the last work on a serviced ticket was done: the latest time of people's history entries with that
// state. Empty where there is none. A fruitless visit to a serviced ticket counts too: it only puts the proof
// off to the tests after.
[[nodiscard]] std::optional<Timestamp> serviced_at(Ticket const& ticket);

// "response restored" with the figures before and after, where nothing of the ticket stands any more and a
// response test since the work says that the probe is quick enough. Not within twelve hours of the work: a
// finding takes up to six hours of sure evidence to be raised again, so an earlier silence proves nothing.
// Not before a background that was wrong has been seen right, nor while a new membrane awaits its
// calibration, nor in the first three days while it may be slow for a new one.
[[nodiscard]] std::optional<std::string> restored(Ticket const& ticket, diagnosis::Diagnosis const& now);

// What is wrong after the work, as a sentence: a reason raised since; or one from before it that is still
// more likely true than not a day (a failure) or three days (anything else) later, slow_response only by a
// test since; a new membrane that answers later than a fresh one - at once where that is plain, after three
// days where it is likelier than not; or a new membrane of which nothing has told for six days that it was
// calibrated (see asks_for). With what to do about it, after the
// work that was done. Empty where there is none, or it is too early to say.
[[nodiscard]] std::optional<std::string> still_wrong(Ticket const& ticket, diagnosis::Diagnosis const& now);

// What the last proof found wrong with a new membrane, and no later test has shown to be right: diagnosis
// takes such a membrane as it is, and has no reason that would keep the ticket. One that was never calibrated
// stands until people say so, by a record or by closing the ticket.
[[nodiscard]] bool still_stands(Ticket const& ticket, diagnosis::Diagnosis const& now);

// What the proof lacks: after twelve hours the calibration of a new membrane, of which nothing tells - more
// often a sheet that has not come back than work that was not done, so that it is asked for before anybody is
// sent; after a week without proof either way, what would bring it. Empty before.
[[nodiscard]] std::optional<std::string> asks_for(Ticket const& ticket, diagnosis::Diagnosis const& now);

// What was wrong on the ticket, and T90 in any case: before the work and, where it has been seen since,
// after.
[[nodiscard]] std::vector<ProofFigure> figures_of(Ticket const& ticket, diagnosis::Diagnosis const& now);

}  // namespace probekeeper::service

// The steps that people take with a ticket: which fit when, and what they are told when one does not.
#pragma once

#include <boost/system/result.hpp>
#include <cstdint>
#include <optional>
#include <stdexcept>
#include <string>
#include <string_view>
#include <vector>

#include "service/ticket.h"

namespace probekeeper::service {

// In the order of the interface's table; `seen` is none, because it changes no state and always fits.
enum class Step : std::uint8_t { acknowledge, plan, postpone, visit, close };
[[nodiscard]] std::string_view to_word(Step s);

enum class Outcome : std::uint8_t { done, no_access, waiting_parts, waiting_customer };
[[nodiscard]] std::string_view to_word(Outcome o);
[[nodiscard]] std::optional<Outcome> outcome_of(std::string_view word);

// The steps that this ticket allows now, in the order above.
[[nodiscard]] std::vector<Step> fitting(Ticket const& ticket);

struct Refused {
    enum class Why : std::uint8_t { unknown_ticket, does_not_fit, bad_value };
    Why why = Why::does_not_fit;
    std::string message;        // a sentence; for does_not_fit it names the steps that fit
    std::vector<Step> fitting;  // of does_not_fit
};
using StepResult = boost::system::result<Ticket, Refused>;
[[noreturn]] inline void throw_exception_from_error(Refused const& refused, boost::source_location const&) {
    throw std::runtime_error{refused.message};
}

[[nodiscard]] Refused does_not_fit(Ticket const& ticket, Step step);

}  // namespace probekeeper::service

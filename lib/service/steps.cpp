#include "service/steps.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <array>

namespace probekeeper::service {
namespace {

constexpr std::array all_steps{Step::acknowledge, Step::plan, Step::postpone, Step::visit, Step::close};
constexpr std::array<std::string_view, 5> step_words{"acknowledge", "plan", "postpone", "visit", "close"};
constexpr std::array<std::string_view, 4> outcome_words{"done", "no_access", "waiting_parts",
                                                        "waiting_customer"};

bool fits(Ticket const& ticket, Step step) {
    auto const state = ticket.state;
    switch (step) {
        case Step::acknowledge:
            return state == State::open;
        case Step::plan:
            return state == State::open || state == State::acknowledged;
        case Step::postpone:
            return (state == State::open || state == State::acknowledged || state == State::planned) &&
                   !has_failure(ticket);
        case Step::visit:
            return !is_finished(state);
        case Step::close:  // on a verified ticket it adds what was found
            return !is_finished(state) || state == State::verified;
    }
    return false;
}

}  // namespace

std::string_view to_word(Step s) {
    return step_words[static_cast<std::size_t>(s)];
}

std::string_view to_word(Outcome o) {
    return outcome_words[static_cast<std::size_t>(o)];
}

bool has_failure(Ticket const& ticket) {
    return std::any_of(ticket.reasons.begin(), ticket.reasons.end(), [](auto const& r) {
        return !r.cleared_at && diagnosis::condition_of(r.finding.reason) == diagnosis::Condition::failure;
    });
}

std::optional<Outcome> outcome_of(std::string_view word) {
    auto const found = std::find(outcome_words.begin(), outcome_words.end(), word);
    return found == outcome_words.end() ? std::nullopt
                                        : std::optional{static_cast<Outcome>(found - outcome_words.begin())};
}

std::vector<Step> fitting(Ticket const& ticket) {
    std::vector<Step> steps;
    std::copy_if(all_steps.begin(), all_steps.end(), std::back_inserter(steps),
                 [&](Step step) { return fits(ticket, step); });
    return steps;
}

Refused does_not_fit(Ticket const& ticket, Step step) {
    Refused refused{Refused::Why::does_not_fit, {}, fitting(ticket)};
    std::string names;
    for (auto const fit : refused.fitting) {
        names += fmt::format("{}{}", names.empty() ? "" : ", ", to_word(fit));
    }
    bool const for_failure = step == Step::postpone && !is_finished(ticket.state) && has_failure(ticket);
    refused.message = fmt::format("{} does not fit ticket {}, which is {}{}; {}", to_word(step), ticket.id,
                                  to_word(ticket.state), for_failure ? " and has a failure" : "",
                                  names.empty() ? "no step fits any more" : "these steps do: " + names);
    return refused;
}

}  // namespace probekeeper::service

#include <catch2/catch.hpp>

#include "service/support.h"

using namespace probekeeper;
using namespace probekeeper::service;
using namespace probekeeper::service::testing;

namespace {

constexpr char const* id = "saltmarsh-17";
auto const date = std::chrono::year{2026} / 3 / 5;

TicketBook with_ticket(State state, Reason reason = Reason::slow_response) {
    auto tickets = book();
    tickets.consider(probe(), diagnosed(1.0, {finding(reason, 1.0)}));
    switch (state) {
        case State::open:
            break;
        case State::acknowledged:
            REQUIRE(tickets.acknowledge(id, "anna", "", at_day(1.1)).has_value());
            break;
        case State::planned:
            REQUIRE(tickets.plan(id, "anna", date, "t1", at_day(1.1)).has_value());
            break;
        case State::serviced:
            REQUIRE(tickets.visit(id, "t1", Outcome::done, at_day(1.1)).has_value());
            break;
        case State::verified:
            REQUIRE(tickets.visit(id, "t1", Outcome::done, at_day(1.1)).has_value());
            tickets.consider(probe(), tested(diagnosed(2.0), 1.9));
            break;
        case State::closed:
            REQUIRE(tickets.close(id, "anna", Found::not_looked, "", at_day(1.1)).has_value());
            break;
        case State::withdrawn:
            tickets.consider(probe(), diagnosed(2.0));
            break;
    }
    REQUIRE(tickets.find(id)->state == state);
    return tickets;
}

StepResult take(TicketBook& tickets, Step step) {
    switch (step) {
        case Step::acknowledge:
            return tickets.acknowledge(id, "anna", "seen on the panel", at_day(3.0));
        case Step::plan:
            return tickets.plan(id, "anna", date, "t1", at_day(3.0));
        case Step::postpone:
            return tickets.postpone(id, "anna", at_day(9.0), "stock is being moved", at_day(3.0));
        case Step::visit:
            return tickets.visit(id, "t1", Outcome::no_access, at_day(3.0));
        case Step::close:
            return tickets.close(id, "anna", Found::as_diagnosed, "", at_day(3.0));
    }
    return Refused{};
}

}  // namespace

TEST_CASE("each state allows the steps of the interface's table and refuses the others", "[service][steps]") {
    struct Row {
        State state;
        std::vector<Step> fit;
    };
    using enum Step;
    auto const row = GENERATE(values<Row>({{State::open, {acknowledge, plan, postpone, visit, close}},
                                           {State::acknowledged, {plan, postpone, visit, close}},
                                           {State::planned, {postpone, visit, close}},
                                           {State::serviced, {visit, close}},
                                           {State::verified, {close}},
                                           {State::closed, {}},
                                           {State::withdrawn, {}}}));
    CAPTURE(to_word(row.state));
    for (auto const step : {acknowledge, plan, postpone, visit, close}) {
        CAPTURE(to_word(step));
        auto tickets = with_ticket(row.state);
        auto const before = *tickets.find(id);
        CHECK(fitting(before) == row.fit);
        bool const fits = std::find(row.fit.begin(), row.fit.end(), step) != row.fit.end();
        auto const result = take(tickets, step);
        CHECK(result.has_value() == fits);
        auto const& after = *tickets.find(id);
        CHECK(after.history.size() == before.history.size() + (fits ? 1U : 0U));
        if (!fits) {
            CHECK(result.error().why == Refused::Why::does_not_fit);
            CHECK(result.error().fitting == row.fit);
            CHECK(after.state == before.state);
            CHECK(after.updated_at == before.updated_at);
        }
    }
}

TEST_CASE("a refusal names the steps that do fit", "[service][steps]") {
    auto tickets = with_ticket(State::planned);
    auto const result = take(tickets, Step::acknowledge);
    REQUIRE(result.has_error());
    CHECK(result.error().message ==
          "acknowledge does not fit ticket saltmarsh-17, which is planned; these steps do: postpone, visit, "
          "close");
    auto closed = with_ticket(State::closed);
    CHECK(take(closed, Step::close).error().message ==
          "close does not fit ticket saltmarsh-17, which is closed; no step fits any more");
}

TEST_CASE("a failure is not postponed", "[service][steps]") {
    auto tickets = with_ticket(State::open, Reason::no_signal);
    auto const result = take(tickets, Step::postpone);
    REQUIRE(result.has_error());
    CHECK(result.error().message ==
          "postpone does not fit ticket saltmarsh-17, which is open and has a failure; these steps do: "
          "acknowledge, plan, visit, close");
}

TEST_CASE("a failure that joins ends the postponement", "[service][steps]") {
    auto tickets = with_ticket(State::open);
    auto const postponed = take(tickets, Step::postpone);
    REQUIRE(postponed.has_value());
    CHECK(postponed->postponed_until == at_day(9.0));
    CHECK(postponed->state == State::open);
    auto const changed = tickets.consider(
        probe(), diagnosed(4.0, {finding(Reason::slow_response, 1.0), finding(Reason::no_signal, 4.0)}));
    REQUIRE(changed.size() == 1);
    CHECK_FALSE(changed[0].postponed_until);
}

TEST_CASE("a failure ends the postponement on a probe that is only monitored, too", "[service][steps]") {
    auto const monitored = probe("tank-1", fleet::Use::monitor);
    auto tickets = book();
    tickets.consider(monitored, diagnosed(1.0, {finding(Reason::slow_response, 1.0)}));
    REQUIRE(take(tickets, Step::postpone).has_value());
    tickets.consider(monitored,
                     diagnosed(4.0, {finding(Reason::slow_response, 1.0), finding(Reason::no_signal, 4.0)}));
    CHECK_FALSE(tickets.find(id)->postponed_until);
    CHECK(take(tickets, Step::postpone).has_error());
}

TEST_CASE("the planned day stands while the ticket is planned, and falls to a later postponement",
          "[service][steps]") {
    auto tickets = with_ticket(State::planned);
    CHECK(tickets.find(id)->planned_for == date);
    REQUIRE(tickets.postpone(id, "anna", at_day(1.3), "low tide", at_day(1.2)).has_value());
    CHECK(tickets.find(id)->planned_for == date);  // 2026-03-05 lies after that anyway
    REQUIRE(tickets.postpone(id, "anna", at_day(9.0), "stock is moved", at_day(1.3)).has_value());
    CHECK_FALSE(tickets.find(id)->planned_for);
    CHECK(tickets.find(id)->state == State::planned);

    auto visited = with_ticket(State::planned);
    REQUIRE(visited.visit(id, "t1", Outcome::no_access, at_day(3.0)).has_value());
    CHECK(visited.find(id)->planned_for == date);
    REQUIRE(visited.visit(id, "t1", Outcome::done, at_day(4.0)).has_value());
    CHECK_FALSE(visited.find(id)->planned_for);
}

TEST_CASE("a postponement into the past or without a reason, and a day that is none, are refused",
          "[service][steps]") {
    auto tickets = with_ticket(State::open);
    auto const past = tickets.postpone(id, "anna", at_day(3.0), "stock is moved", at_day(3.0));
    REQUIRE(past.has_error());
    CHECK(past.error().why == Refused::Why::bad_value);
    auto const mute = tickets.postpone(id, "anna", at_day(9.0), "  ", at_day(3.0));
    REQUIRE(mute.has_error());
    CHECK(mute.error().why == Refused::Why::bad_value);
    auto const no_day = tickets.plan(id, "anna", std::chrono::year{2026} / 2 / 30, "t1", at_day(3.0));
    REQUIRE(no_day.has_error());
    CHECK(no_day.error().why == Refused::Why::bad_value);
    CHECK(tickets.find(id)->history.size() == 1);
}

TEST_CASE("a plan says when and who", "[service][steps]") {
    auto tickets = with_ticket(State::planned);
    auto const& t = *tickets.find(id);
    CHECK(t.assigned_to == "t1");
    CHECK(t.history.back().by == "anna");
    CHECK(t.history.back().note == "planned for 2026-03-05, assigned to t1");
}

TEST_CASE("an acknowledgement keeps its note", "[service][steps]") {
    auto tickets = with_ticket(State::open);
    auto const result = take(tickets, Step::acknowledge);
    REQUIRE(result.has_value());
    CHECK(result->state == State::acknowledged);
    CHECK(result->updated_at == at_day(3.0));
    CHECK(result->history.back().note == "seen on the panel");
}

TEST_CASE("a visit that was done makes the ticket serviced, another leaves its state", "[service][steps]") {
    auto const outcome =
        GENERATE(Outcome::done, Outcome::no_access, Outcome::waiting_parts, Outcome::waiting_customer);
    auto tickets = with_ticket(State::acknowledged);
    auto const result = tickets.visit(id, "t1", outcome, at_day(3.0));
    REQUIRE(result.has_value());
    CHECK(result->state == (outcome == Outcome::done ? State::serviced : State::acknowledged));
    CHECK(result->history.back().note == "visit: " + std::string{to_word(outcome)});
    CHECK(outcome_of(to_word(outcome)) == outcome);
}

TEST_CASE("a close says what was found, on a verified ticket too", "[service][steps]") {
    auto const state = GENERATE(State::open, State::serviced, State::verified);
    auto tickets = with_ticket(state);
    auto const result = tickets.close(id, "anna", Found::other_fault, "cable", at_day(3.0));
    REQUIRE(result.has_value());
    CHECK(result->state == (state == State::verified ? State::verified : State::closed));
    CHECK(result->found == Found::other_fault);
    CHECK(result->history.back().note == "found other_fault: cable");
    CHECK(tickets.unfinished("tank-1") == nullptr);
}

TEST_CASE("that a person has seen a ticket changes nothing else, and the first time counts",
          "[service][steps]") {
    auto tickets = with_ticket(State::open);
    auto const before = *tickets.find(id);
    REQUIRE(tickets.seen(id, at_day(2.0)).has_value());
    auto const again = tickets.seen(id, at_day(3.0));
    REQUIRE(again.has_value());
    CHECK(again->seen == at_day(2.0));
    CHECK(again->updated_at == before.updated_at);
    CHECK(again->history.size() == before.history.size());
}

TEST_CASE("a ticket that is not there is refused as such", "[service][steps]") {
    auto tickets = book();
    CHECK(tickets.acknowledge("saltmarsh-99", "anna", "", at_day(1.0)).error().why ==
          Refused::Why::unknown_ticket);
    CHECK(tickets.seen("saltmarsh-99", at_day(1.0)).error().why == Refused::Why::unknown_ticket);
}

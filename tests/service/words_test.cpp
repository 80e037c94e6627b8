#include <catch2/catch.hpp>

#include "service/record.h"
#include "service/ticket.h"

using namespace probekeeper::service;

TEST_CASE("every word of a ticket and a record reads back as the value that it was written from",
          "[service]") {
    for (int i = 0; i <= static_cast<int>(Work::inspection); ++i) {
        CHECK(work_of(to_word(static_cast<Work>(i))) == static_cast<Work>(i));
    }
    for (int i = 0; i <= static_cast<int>(State::withdrawn); ++i) {
        CHECK(state_of(to_word(static_cast<State>(i))) == static_cast<State>(i));
    }
    for (int i = 0; i <= static_cast<int>(Urgency::next_visit); ++i) {
        CHECK(urgency_of(to_word(static_cast<Urgency>(i))) == static_cast<Urgency>(i));
    }
    for (int i = 0; i <= static_cast<int>(Found::not_looked); ++i) {
        CHECK(found_of(to_word(static_cast<Found>(i))) == static_cast<Found>(i));
    }
}

TEST_CASE("the words are those of the interface", "[service]") {
    CHECK(to_word(Work::membrane_change) == "membrane_change");
    CHECK(to_word(Work::settings_change) == "settings_change");
    CHECK(to_word(State::acknowledged) == "acknowledged");
    CHECK(to_word(State::withdrawn) == "withdrawn");
    CHECK(to_word(Urgency::this_week) == "this_week");
    CHECK(to_word(Found::no_fault_found) == "no_fault_found");
    CHECK_FALSE(state_of("Open").has_value());
    CHECK_FALSE(work_of("").has_value());
}

TEST_CASE("verified, closed and withdrawn tickets are finished and no other", "[service]") {
    CHECK(is_finished(State::verified));
    CHECK(is_finished(State::closed));
    CHECK(is_finished(State::withdrawn));
    CHECK_FALSE(is_finished(State::open));
    CHECK_FALSE(is_finished(State::acknowledged));
    CHECK_FALSE(is_finished(State::planned));
    CHECK_FALSE(is_finished(State::serviced));
}

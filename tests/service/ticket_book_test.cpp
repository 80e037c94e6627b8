#include <catch2/catch.hpp>

#include "service/support.h"

using namespace probekeeper;
using namespace probekeeper::service;
using namespace probekeeper::service::testing;

TEST_CASE("a new finding on a probe without an unfinished ticket opens one", "[service][ticket]") {
    auto tickets = book();
    auto const changed = tickets.consider(probe(), diagnosed(1.0, {slow(1.0)}));
    REQUIRE(changed.size() == 1);
    auto const& t = changed[0];
    CHECK(t.id == "saltmarsh-17");
    CHECK(t.number == 17);
    CHECK(t.site == "saltmarsh");
    CHECK(t.probe == "tank-1");
    CHECK(t.state == State::open);
    CHECK(t.opened_at == at_day(1.0));
    CHECK(t.updated_at == at_day(1.0));
    REQUIRE(t.reasons.size() == 1);
    CHECK(t.reasons[0].finding.raised_at == at_day(1.0));
    REQUIRE(t.history.size() == 1);
    CHECK(t.history[0].by == "probekeeperd");
    CHECK(t.history[0].note == "opened: because of slow_response");
    CHECK(t.work.front() == "wipe_membrane");
    CHECK_FALSE(t.meanwhile.empty());
}

TEST_CASE("a probe without findings gets no ticket", "[service][ticket]") {
    auto tickets = book();
    CHECK(tickets.consider(probe(), diagnosed(1.0)).empty());
    CHECK(tickets.tickets().empty());
}

TEST_CASE("numbers ascend over the probes of a site", "[service][ticket]") {
    auto tickets = book();
    tickets.consider(probe("tank-1"), diagnosed(1.0, {slow(1.0)}));
    auto const second = tickets.consider(probe("tank-2"), diagnosed(1.0, {slow(1.0)}));
    REQUIRE(second.size() == 1);
    CHECK(second[0].id == "saltmarsh-18");
    CHECK(tickets.next_number() == 19);
}

TEST_CASE("a book never gives a number again, whatever next number it is told", "[service][ticket]") {
    auto tickets = book();
    auto const kept = tickets.consider(probe(), diagnosed(1.0, {slow(1.0)}));
    TicketBook again{"saltmarsh", 3, kept};
    CHECK(again.next_number() == 18);
}

TEST_CASE("a second reason joins the unfinished ticket", "[service][ticket]") {
    auto tickets = book();
    tickets.consider(probe(), diagnosed(1.0, {slow(1.0)}));
    auto const changed =
        tickets.consider(probe(), diagnosed(3.0, {finding(Reason::background, 3.0), slow(1.0)}));
    REQUIRE(changed.size() == 1);
    CHECK(changed[0].id == "saltmarsh-17");
    CHECK(changed[0].reasons.size() == 2);
    CHECK(changed[0].history.back().note == "joined: because of background");
    CHECK(tickets.tickets().size() == 1);
}

TEST_CASE("a reason whose finding is gone is cleared and the ticket stays for the others",
          "[service][ticket]") {
    auto tickets = book();
    tickets.consider(probe(), diagnosed(1.0, {slow(1.0), finding(Reason::background, 1.0)}));
    auto const changed = tickets.consider(probe(), diagnosed(4.0, {slow(1.0)}));
    REQUIRE(changed.size() == 1);
    CHECK(changed[0].state == State::open);
    CHECK_FALSE(changed[0].reasons[0].cleared_at);
    CHECK(changed[0].reasons[1].cleared_at == at_day(4.0));
    CHECK(changed[0].history.back().note == "cleared: background");
    CHECK(std::none_of(changed[0].parts.begin(), changed[0].parts.end(),
                       [](auto const& p) { return p.part == "abrasive_pad"; }));
}

TEST_CASE("a ticket whose every reason is cleared is withdrawn", "[service][ticket]") {
    auto tickets = book();
    tickets.consider(probe(), diagnosed(1.0, {slow(1.0)}));
    auto const state = GENERATE(State::open, State::acknowledged, State::planned);
    if (state == State::acknowledged) {
        REQUIRE(tickets.acknowledge("saltmarsh-17", "anna", "", at_day(1.1)).has_value());
    } else if (state == State::planned) {
        REQUIRE(tickets.plan("saltmarsh-17", "anna", std::chrono::year{2026} / 3 / 5, "t1", at_day(1.1))
                    .has_value());
    }
    REQUIRE(tickets.find("saltmarsh-17")->state == state);
    auto const changed = tickets.consider(probe(), diagnosed(4.0));
    REQUIRE(changed.size() == 1);
    CHECK(changed[0].state == State::withdrawn);
    CHECK(changed[0].reasons[0].cleared_at == at_day(4.0));
    CHECK(changed[0].history.back().state == State::withdrawn);
    CHECK(changed[0].history.back().note == "the evidence went away: slow_response");
    CHECK(tickets.unfinished("tank-1") == nullptr);
}

TEST_CASE("a probe that shows the same again after its ticket was withdrawn gets a new one",
          "[service][ticket]") {
    auto tickets = book();
    tickets.consider(probe(), diagnosed(1.0, {slow(1.0)}));
    tickets.consider(probe(), diagnosed(4.0));
    auto const changed = tickets.consider(probe(), diagnosed(9.0, {slow(9.0)}));
    REQUIRE(changed.size() == 1);
    CHECK(changed[0].id == "saltmarsh-18");
}

TEST_CASE("a finding that comes back as itself, made again after its ticket was withdrawn, gets a new one",
          "[service][ticket]") {
    auto tickets = book();
    tickets.consider(probe(), diagnosed(1.0, {slow(1.0)}));
    tickets.consider(probe(), diagnosed(2.0));
    CHECK(tickets.consider(probe(), diagnosed(2.0, {slow(1.0)})).empty());
    auto const again = tickets.consider(probe(), diagnosed(3.0, {slow(1.0)}));
    REQUIRE(again.size() == 1);
    CHECK(again[0].number == 18);
    CHECK(again[0].state == State::open);
    // And a book made again from both knows that the newer one tells of it.
    TicketBook restarted{"saltmarsh", 1, {again[0], tickets.tickets().at(17)}};
    CHECK(restarted.consider(probe(), diagnosed(4.0, {slow(1.0)})).empty());
}

TEST_CASE("a finding that a person closed does not come back by itself", "[service][ticket]") {
    auto tickets = book();
    tickets.consider(probe(), diagnosed(1.0, {slow(1.0)}));
    REQUIRE(tickets.close("saltmarsh-17", "anna", Found::no_fault_found, "", at_day(2.0)).has_value());
    CHECK(tickets.consider(probe(), diagnosed(3.0, {slow(1.0)})).empty());
    SECTION("not even beside a new one") {
        auto const changed =
            tickets.consider(probe(), diagnosed(5.0, {finding(Reason::stuck, 5.0), slow(1.0)}));
        REQUIRE(changed.size() == 1);
        CHECK(changed[0].id == "saltmarsh-18");
        REQUIRE(changed[0].reasons.size() == 1);
        CHECK(changed[0].reasons[0].finding.reason == Reason::stuck);
    }
    SECTION("raised anew it does") {
        CHECK(tickets.consider(probe(), diagnosed(9.0, {slow(9.0)})).size() == 1);
    }
}

TEST_CASE("a book made again from its tickets knows what was told", "[service][ticket]") {
    auto tickets = book();
    tickets.consider(probe(), diagnosed(1.0, {slow(1.0)}));
    auto const closed = tickets.close("saltmarsh-17", "anna", Found::as_diagnosed, "", at_day(2.0));
    REQUIRE(closed.has_value());
    TicketBook again{"saltmarsh", 18, {*closed}};
    CHECK(again.consider(probe(), diagnosed(1.0, {slow(1.0)})).empty());
    CHECK(again.consider(probe(), diagnosed(3.0, {slow(1.0)})).empty());
}

TEST_CASE("a person's step hides from no restart what was considered before it", "[service][ticket]") {
    auto tickets = book();
    tickets.consider(probe(), diagnosed(1.0, {slow(1.0)}));
    tickets.consider(probe(), diagnosed(3.0, {slow(1.0), finding(Reason::background, 3.0)}));
    auto const kept = tickets.acknowledge("saltmarsh-17", "anna", "", at_day(3.1));
    REQUIRE(kept.has_value());
    TicketBook again{"saltmarsh", 18, {*kept}};
    CHECK(again.consider(probe(), diagnosed(2.0, {slow(1.0, 60.0)})).empty());
    CHECK(again.consider(probe(), diagnosed(3.05, {slow(1.0, 150.0), finding(Reason::background, 3.0)}))
              .size() == 1);
}

TEST_CASE("of two diagnoses of one instant, fed again, the first brings nothing back", "[service][ticket]") {
    auto tickets = book();
    auto const floor = finding(Reason::background, 1.0);
    tickets.consider(probe(), diagnosed(1.0, {slow(1.0), floor}));
    REQUIRE(tickets.consider(probe(), diagnosed(2.0, {slow(1.0)})).size() == 1);
    CHECK(tickets.consider(probe(), diagnosed(2.0, {slow(1.0), floor})).empty());
}

TEST_CASE("nothing opens, joins or clears while the probe is out of use", "[service][ticket]") {
    auto tickets = book();
    auto parked = diagnosed(1.0, {slow(1.0)});
    parked.service_state = diagnosis::ServiceState::out_of_use;
    CHECK(tickets.consider(probe(), parked).empty());
    tickets.consider(probe(), diagnosed(2.0, {slow(2.0)}));
    parked = diagnosed(3.0);
    parked.service_state = diagnosis::ServiceState::out_of_use;
    CHECK(tickets.consider(probe(), parked).empty());
    CHECK(tickets.unfinished("tank-1") != nullptr);
}

TEST_CASE("a probe in hand clears nothing", "[service][ticket]") {
    auto tickets = book();
    tickets.consider(probe(), diagnosed(1.0, {slow(1.0)}));
    auto in_hand = diagnosed(2.0);
    in_hand.service_state = GENERATE(diagnosis::ServiceState::in_hand, diagnosis::ServiceState::settling);
    CHECK(tickets.consider(probe(), in_hand).empty());
    CHECK(tickets.unfinished("tank-1")->state == State::open);
}

TEST_CASE("figures that hardly move change no ticket", "[service][ticket]") {
    auto tickets = book();
    tickets.consider(probe(), diagnosed(1.0, {slow(1.0, 92.0)}));
    CHECK(tickets.consider(probe(), diagnosed(1.1, {slow(1.0, 95.0)})).empty());
    CHECK(tickets.unfinished("tank-1")->reasons[0].finding.value == 92.0);
    SECTION("a noticeable move does, without a history entry") {
        auto const changed = tickets.consider(probe(), diagnosed(1.2, {slow(1.0, 110.0)}));
        REQUIRE(changed.size() == 1);
        CHECK(changed[0].reasons[0].finding.value == 110.0);
        CHECK(changed[0].updated_at == at_day(1.2));
        CHECK(changed[0].history.size() == 1);
    }
    SECTION("many small moves together do") {
        CHECK(tickets.consider(probe(), diagnosed(1.2, {slow(1.0, 96.0)})).empty());
        CHECK(tickets.consider(probe(), diagnosed(1.3, {slow(1.0, 97.0)})).size() == 1);
    }
    SECTION("once a day even a small one does") {
        CHECK(tickets.consider(probe(), diagnosed(2.5, {slow(1.0, 93.0)})).size() == 1);
        CHECK(tickets.consider(probe(), diagnosed(2.6, {slow(1.0, 94.0)})).empty());
    }
}

TEST_CASE("an older diagnosis than the newest considered changes nothing", "[service][ticket]") {
    auto tickets = book();
    tickets.consider(probe(), diagnosed(5.0, {slow(5.0)}));
    CHECK(tickets.consider(probe(), diagnosed(4.0)).empty());
    CHECK(tickets.consider(probe(), diagnosed(4.5, {finding(Reason::stuck, 4.5)})).empty());
}

TEST_CASE("a diagnosis made again may bring a cleared reason back as itself", "[service][ticket]") {
    auto tickets = book();
    auto const floor = finding(Reason::background, 1.0);
    tickets.consider(probe(), diagnosed(1.0, {slow(1.0), floor}));
    tickets.consider(probe(), diagnosed(2.0, {slow(1.0)}));
    auto const changed = tickets.consider(probe(), diagnosed(3.0, {slow(1.0), floor}));
    REQUIRE(changed.size() == 1);
    CHECK(changed[0].reasons.size() == 2);
    CHECK_FALSE(changed[0].reasons[1].cleared_at);
    CHECK(changed[0].history.back().note == "stands again: because of background");
}

TEST_CASE("a diagnosis made again that dates a standing reason otherwise neither joins nor clears it",
          "[service][ticket]") {
    auto tickets = book();
    tickets.consider(probe(), diagnosed(3.0, {slow(3.0)}));
    auto const changed = tickets.consider(probe(), diagnosed(4.0, {slow(2.0)}));
    REQUIRE(changed.size() == 1);
    REQUIRE(changed[0].reasons.size() == 1);
    CHECK(changed[0].reasons[0].finding.raised_at == at_day(2.0));
    CHECK_FALSE(changed[0].reasons[0].cleared_at);
    CHECK(changed[0].history.size() == 1);
    CHECK(tickets.consider(probe(), diagnosed(5.0, {slow(2.0)})).empty());
}

TEST_CASE("a reason that comes and goes for a year fills neither reasons nor history", "[service][ticket]") {
    auto tickets = book();
    auto const lasting = finding(Reason::background, 1.0);
    tickets.consider(probe(), diagnosed(1.0, {lasting}));
    for (int i = 2; i < 730; i += 2) {
        tickets.consider(probe(), diagnosed(i, {lasting, slow(i)}));
        tickets.consider(probe(), diagnosed(i + 1, {lasting}));
    }
    auto const* const ticket = tickets.unfinished("tank-1");
    REQUIRE(ticket != nullptr);
    CHECK(ticket->reasons.size() == 64);
    CHECK(ticket->reasons[0].finding.reason == Reason::background);
    CHECK(ticket->history.size() == 200);
}

TEST_CASE("a probe that leaves the configuration has its ticket withdrawn", "[service][ticket]") {
    auto tickets = book();
    tickets.consider(probe(), diagnosed(1.0, {slow(1.0)}));
    auto const changed = tickets.withdraw_probe("tank-1", at_day(2.0), "the probe is no longer configured");
    REQUIRE(changed.size() == 1);
    CHECK(changed[0].state == State::withdrawn);
    CHECK(changed[0].history.back().note == "the probe is no longer configured");
    CHECK(tickets.withdraw_probe("tank-1", at_day(2.0), "again").empty());
}

TEST_CASE("a voided record takes back the service that nobody else's work stands for", "[service][tickets]") {
    auto tickets = book();
    tickets.consider(probe(), diagnosed(1.0, {slow(1.0)}));
    REQUIRE(tickets.acknowledge("saltmarsh-17", "anna", "", at_day(1.5)).has_value());
    tickets.record(work(2.0));
    SECTION("alone it leads back to where the ticket was") {
        auto const changed = tickets.voided(work(2.0), "anna", "other tank", at_day(3.0));
        REQUIRE(changed.size() == 1);
        CHECK(changed[0].state == State::acknowledged);
        CHECK(changed[0].history.back().note ==
              "the record of 2026-03-03T06:00:00.000Z was voided: other tank");
    }
    SECTION("other work keeps it serviced") {
        tickets.record(work(2.5, Work::air_calibration));
        REQUIRE(tickets.voided(work(2.0), "anna", "other tank", at_day(3.0)).size() == 1);
        CHECK(tickets.find("saltmarsh-17")->state == State::serviced);
    }
    SECTION("a record that the ticket never heard of changes nothing") {
        CHECK(tickets.voided(work(2.2), "anna", "other tank", at_day(3.0)).empty());
    }
}

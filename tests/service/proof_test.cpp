#include <catch2/catch.hpp>

#include "service/proof.h"
#include "service/support.h"

using namespace probekeeper;
using namespace probekeeper::service;
using namespace probekeeper::service::testing;

namespace {

// With a ticket for a slow response, opened on day 1 and serviced on day 3.
TicketBook serviced(Work kind = Work::membrane_change) {
    auto tickets = book();
    tickets.consider(probe(), diagnosed(1.0, {slow(1.0)}));
    REQUIRE(tickets.record(work(3.0, kind)).size() == 1);
    return tickets;
}

State state_of(TicketBook const& tickets) {
    return tickets.find("saltmarsh-17")->state;
}

}  // namespace

TEST_CASE("a service record moves the ticket to serviced and names the work", "[service][proof]") {
    auto tickets = book();
    tickets.consider(probe(), diagnosed(1.0, {slow(1.0)}));
    auto record = work(3.0);
    record.note = "anode was grey";
    auto const changed = tickets.record(record);
    REQUIRE(changed.size() == 1);
    CHECK(changed[0].state == State::serviced);
    CHECK(changed[0].updated_at == at_day(3.0));
    CHECK(changed[0].history.back().by == "t1");
    CHECK(changed[0].history.back().at == at_day(3.0));
    CHECK(changed[0].history.back().note == "membrane_change: anode was grey");
    SECTION("the same record again changes nothing") {
        CHECK(tickets.record(record).empty());
    }
    SECTION("more work of the visit is told too") {
        auto const more = tickets.record(work(3.01, Work::air_calibration));
        REQUIRE(more.size() == 1);
        CHECK(more[0].state == State::serviced);
        CHECK(serviced_at(more[0]) == at_day(3.01));
    }
    SECTION("in any order") {
        auto const more = tickets.record(work(2.99, Work::inspection));
        REQUIRE(more.size() == 1);
        CHECK(serviced_at(more[0]) == at_day(3.0));
    }
}

TEST_CASE("a record without a ticket, of another probe or from before the ticket changes none",
          "[service][proof]") {
    auto tickets = book();
    CHECK(tickets.record(work(0.5)).empty());
    tickets.consider(probe(), diagnosed(1.0, {slow(1.0)}));
    CHECK(tickets.record(work(2.0, Work::membrane_change, "tank-2")).empty());
    CHECK(tickets.record(work(0.5)).empty());
    CHECK(state_of(tickets) == State::open);
}

TEST_CASE("nobody's record passes for the daemon's own word", "[service][proof]") {
    auto tickets = book();
    tickets.consider(probe(), diagnosed(1.0, {slow(1.0)}));
    auto record = work(3.0);
    record.by = GENERATE("", "probekeeperd");
    auto const changed = tickets.record(record);
    REQUIRE(changed.size() == 1);
    CHECK(changed[0].history.back().by == "unnamed");
    CHECK(serviced_at(changed[0]) == at_day(3.0));
}

TEST_CASE("a serviced ticket waits for proof when its evidence is gone", "[service][proof]") {
    auto tickets = serviced();
    auto const changed = tickets.consider(probe(), tested(diagnosed(3.1), 2.9));
    REQUIRE(changed.size() == 1);
    CHECK(changed[0].state == State::serviced);
    CHECK(changed[0].reasons[0].cleared_at == at_day(3.1));
    CHECK_FALSE(changed[0].work.empty());
    SECTION("not by a test from before the work") {
        CHECK(tickets.consider(probe(), tested(diagnosed(9.0), 2.9)).empty());
    }
    SECTION("not within half a day of the work") {
        CHECK(tickets.consider(probe(), tested(diagnosed(3.4), 3.3)).empty());
    }
    SECTION("not by a response that is still over the limit") {
        CHECK(tickets.consider(probe(), tested(diagnosed(3.6), 3.5, 90.0)).empty());
    }
    SECTION("not while it settles") {
        auto settling = tested(diagnosed(3.6), 3.5);
        settling.service_state = diagnosis::ServiceState::settling;
        CHECK(tickets.consider(probe(), settling).empty());
    }
    CHECK(state_of(tickets) == State::serviced);
}

TEST_CASE("a response test after the work verifies it with figures before and after", "[service][proof]") {
    auto tickets = serviced();
    auto const changed = tickets.consider(probe(), tested(diagnosed(3.6), 3.5));
    REQUIRE(changed.size() == 1);
    CHECK(changed[0].state == State::verified);
    CHECK(changed[0].history.back().by == "probekeeperd");
    CHECK(changed[0].history.back().note ==
          "response restored: T90 92 s before, 41 s after, 1.0 times its fresh value");
    CHECK(tickets.unfinished("tank-1") == nullptr);
}

TEST_CASE("what else was wrong is compared too", "[service][proof]") {
    auto tickets = book();
    auto floor = finding(Reason::background, 1.0);
    floor.value = 0.25;
    tickets.consider(probe(), diagnosed(1.0, {floor}));
    tickets.record(work(3.0, Work::electrode_clean));
    auto after = tested(diagnosed(4.0), 3.5);
    after.background = diagnosis::Background{};
    after.background->value_mg_l = 0.02;
    after.background->at = at_day(3.5);
    auto const changed = tickets.consider(probe(), after);
    REQUIRE(changed.size() == 1);
    CHECK(changed[0].history.back().note ==
          "response restored: T90 41 s, 1.0 times its fresh value; background 0.25 mg/L before, 0.02 mg/L "
          "after");
}

TEST_CASE("a finding raised after the work opens the ticket again with what is wrong", "[service][proof]") {
    auto tickets = serviced();
    tickets.consider(probe(), diagnosed(3.1));
    auto const reason = GENERATE(Reason::slow_response, Reason::membrane_damage);
    auto const changed = tickets.consider(probe(), diagnosed(4.0, {finding(reason, 4.0)}));
    REQUIRE(changed.size() == 1);
    CHECK(changed[0].state == State::open);
    CHECK(changed[0].reasons.size() == 2);
    CHECK(changed[0].history.back().note.find("after the work: because of " +
                                              std::string{diagnosis::to_word(reason)}) == 0);
    CHECK(tickets.tickets().size() == 1);
}

TEST_CASE("what is raised while the probe settles is judged when it is back in service", "[service][proof]") {
    auto tickets = serviced();
    auto settling = diagnosed(3.1, {finding(Reason::not_settled, 3.1)});
    settling.service_state = diagnosis::ServiceState::settling;
    REQUIRE(tickets.consider(probe(), settling).size() == 1);
    CHECK(state_of(tickets) == State::serviced);
    SECTION("gone by then") {
        tickets.consider(probe(), diagnosed(3.2));
        CHECK(state_of(tickets) == State::serviced);
    }
    SECTION("still there") {
        tickets.consider(probe(), diagnosed(3.2, {finding(Reason::not_settled, 3.1)}));
        CHECK(state_of(tickets) == State::open);
    }
}

TEST_CASE("a wipe that did not help opens the ticket again after three days", "[service][proof]") {
    auto tickets = serviced(Work::membrane_wipe);
    CHECK(tickets.consider(probe(), tested(diagnosed(5.0, {slow(1.0)}), 4.9, 92.0)).empty());
    SECTION("only by a test since") {
        CHECK(tickets.consider(probe(), tested(diagnosed(6.5, {slow(1.0)}), 2.9, 92.0)).empty());
    }
    SECTION("not while the reason is on its way out") {
        auto fading = slow(1.0);
        fading.probability = 0.4;
        CHECK(tickets.consider(probe(), tested(diagnosed(6.5, {fading}), 6.4, 60.0)).empty());
    }
    SECTION("and names what it shows now") {
        auto now = slow(1.0, 95.0);
        now.text = "T90 is 95 s";
        auto const changed = tickets.consider(probe(), tested(diagnosed(6.5, {now}), 6.4, 95.0));
        REQUIRE(changed.size() == 1);
        CHECK(changed[0].state == State::open);
        CHECK(changed[0].history.back().note == "after the work: T90 is 95 s: change the membrane");
        CHECK(changed[0].reasons[0].finding.value == 95.0);
    }
}

TEST_CASE("a failure that work did not end opens the ticket again after a day", "[service][proof]") {
    auto tickets = book();
    tickets.consider(probe(), diagnosed(1.0, {finding(Reason::no_signal, 1.0)}));
    tickets.record(work(3.0, Work::inspection));
    CHECK(tickets.consider(probe(), diagnosed(3.5, {finding(Reason::no_signal, 1.0)})).empty());
    CHECK(tickets.consider(probe(), diagnosed(4.0, {finding(Reason::no_signal, 1.0)})).size() == 1);
    CHECK(state_of(tickets) == State::open);
    CHECK(tickets.find("saltmarsh-17")->urgency == Urgency::now);
}

TEST_CASE("the figures of a serviced ticket are those from before the work", "[service][proof]") {
    auto tickets = serviced(Work::membrane_wipe);
    CHECK(tickets.consider(probe(), diagnosed(4.5, {slow(1.0, 60.0)})).empty());
    CHECK(tickets.find("saltmarsh-17")->reasons[0].finding.value == 92.1);
}

namespace {

// What a probe shows whose fresh T90 was 41 s and whose limit is twice that: nothing stands, T90 is this.
Diagnosis after(double day, double t90_s, std::uint32_t tests = 5) {
    auto d = tested(diagnosed(day), day - 0.1, t90_s);
    d.t90->fresh_s = t90_s;  // learned from the new membrane itself
    d.t90->fresh_learned = true;
    d.t90->limit_s = 2.0 * t90_s;
    d.t90->tests = tests;
    return d;
}

std::string last_note(TicketBook const& tickets) {
    return tickets.find("saltmarsh-17")->history.back().note;
}

}  // namespace

TEST_CASE("a new membrane that is slow is not called fresh, but wrinkled", "[service][proof]") {
    auto tickets = serviced();
    tickets.consider(probe(), diagnosed(3.1));
    SECTION("slow") {
        tickets.consider(probe(), after(4.0, 70.0));
        CHECK(state_of(tickets) == State::open);
        CHECK(last_note(tickets) ==
              "after the work: T90 is 70 s with a new membrane, 1.7 times that of a fresh "
              "probe: look for a wrinkle, a bubble or a film under it");
    }
    SECTION("as slow as before: perhaps the wrong probe") {
        tickets.consider(probe(), after(4.0, 90.0));
        CHECK(state_of(tickets) == State::open);
        CHECK(last_note(tickets).find("was it another probe that was serviced?") != std::string::npos);
    }
    SECTION("not by a test or two") {
        tickets.consider(probe(), after(4.0, 70.0, 2));
        CHECK(state_of(tickets) == State::serviced);
    }
    SECTION("quick") {
        tickets.consider(probe(), after(4.0, 44.0));
        CHECK(state_of(tickets) == State::verified);
    }
}

TEST_CASE("what is neither plainly slow nor plainly quick for a new membrane is decided after three days",
          "[service][proof]") {
    auto tickets = serviced();
    tickets.consider(probe(), diagnosed(3.1));
    auto const [t90_s, state] = GENERATE(std::pair{62.0, State::open}, std::pair{55.0, State::verified});
    CAPTURE(t90_s);
    tickets.consider(probe(), after(4.0, t90_s));
    CHECK(state_of(tickets) == State::serviced);
    tickets.consider(probe(), after(6.1, t90_s));
    CHECK(state_of(tickets) == state);
}

TEST_CASE("a new membrane that is slow keeps its ticket though diagnosis takes it as fresh",
          "[service][proof]") {
    auto tickets = serviced();
    tickets.consider(probe(), diagnosed(3.1));
    tickets.consider(probe(), after(4.0, 80.0));
    REQUIRE(state_of(tickets) == State::open);
    CHECK(tickets.consider(probe(), after(4.1, 80.0)).empty());
    SECTION("until later tests find it quick") {
        tickets.consider(probe(), after(9.0, 43.0));
        CHECK(state_of(tickets) == State::withdrawn);
    }
    SECTION("or until it is worked on again") {
        tickets.record(work(5.0));
        CHECK(state_of(tickets) == State::serviced);
        tickets.consider(probe(), after(6.0, 43.0));
        CHECK(state_of(tickets) == State::verified);
    }
}

TEST_CASE("a new membrane that flutters is not called restored while it may settle", "[service][proof]") {
    auto tickets = serviced();
    tickets.consider(probe(), diagnosed(3.1));
    auto now = after(4.0, 42.0);
    SECTION("moving") {
        now.fluctuation->ratio = 4.0;
    }
    SECTION("not known yet") {
        now.fluctuation.reset();
    }
    tickets.consider(probe(), now);
    CHECK(state_of(tickets) == State::serviced);
    tickets.consider(probe(), after(5.0, 42.0));
    CHECK(state_of(tickets) == State::verified);
}

TEST_CASE("a wipe that leaves the probe slow asks for a new membrane", "[service][proof]") {
    auto tickets = serviced(Work::membrane_wipe);
    tickets.consider(probe(), tested(diagnosed(6.5, {slow(1.0)}), 6.4, 92.0));
    CHECK(state_of(tickets) == State::open);
    CHECK(last_note(tickets) == "after the work: because of slow_response: change the membrane");
}

TEST_CASE("a background that stands after cleaning asks to clean again", "[service][proof]") {
    auto tickets = book();
    tickets.consider(probe(), diagnosed(1.0, {finding(Reason::background, 1.0)}));
    tickets.record(work(3.0, Work::electrode_clean));
    tickets.consider(probe(), diagnosed(3.1));
    tickets.consider(probe(), tested(diagnosed(4.0, {finding(Reason::background, 4.0)}), 3.9));
    CHECK(state_of(tickets) == State::open);
    CHECK(last_note(tickets) == "after the work: because of background: clean the cathode again");
}

TEST_CASE("a background that nobody has seen since the work is not proved, and asked for after a week",
          "[service][proof]") {
    auto tickets = book();
    tickets.consider(probe(), diagnosed(1.0, {finding(Reason::background, 1.0)}));
    tickets.record(work(3.0, Work::electrode_clean));
    tickets.consider(probe(), tested(diagnosed(4.0), 3.9));
    CHECK(state_of(tickets) == State::serviced);
    auto later = tested(diagnosed(10.1), 10.0);
    REQUIRE(tickets.consider(probe(), later).size() == 1);
    CHECK(state_of(tickets) == State::serviced);
    CHECK(last_note(tickets).find("check the dry zero") != std::string::npos);
}

TEST_CASE("a week without a response test asks for a lift, once", "[service][proof]") {
    auto tickets = serviced();
    tickets.consider(probe(), diagnosed(3.1));
    CHECK(tickets.consider(probe(), diagnosed(9.9)).empty());
    REQUIRE(tickets.consider(probe(), diagnosed(10.1)).size() == 1);
    CHECK(state_of(tickets) == State::serviced);
    CHECK(last_note(tickets) == "no response test since the work: lift five minutes into air and put back");
    CHECK(tickets.consider(probe(), diagnosed(10.2)).empty());
    SECTION("and a test still proves it") {
        tickets.consider(probe(), tested(diagnosed(11.0), 10.9));
        CHECK(state_of(tickets) == State::verified);
    }
}

TEST_CASE(
    "a new membrane of which nothing tells that it was calibrated is asked for, and sends somebody only when "
    "a week's sheets must be back",
    "[service][proof]") {
    auto tickets = serviced();
    tickets.consider(probe(), diagnosed(3.1));
    auto waiting = after(4.0, 41.0);
    waiting.service_state = diagnosis::ServiceState::awaiting_calibration;
    REQUIRE(tickets.consider(probe(), waiting).size() == 1);
    CHECK(state_of(tickets) == State::serviced);
    CHECK_THAT(last_note(tickets), Catch::Contains("record its calibration, or calibrate it in air"));
    waiting.at = at_day(8.9);
    CHECK(tickets.consider(probe(), waiting).empty());  // asked once
    SECTION("the sheet comes back: the response is proved") {
        tickets.record(work(3.02, Work::air_calibration));
        auto calibrated = after(9.0, 41.0);
        tickets.consider(probe(), calibrated);
        CHECK(state_of(tickets) == State::verified);
    }
    SECTION("nothing comes back") {
        waiting.at = at_day(9.1);
        tickets.consider(probe(), waiting);
        CHECK(state_of(tickets) == State::open);
        CHECK_THAT(last_note(tickets), Catch::Contains("calibrate it in air"));
        // Diagnosis waits no longer; the ticket does, for people.
        CHECK(tickets.consider(probe(), after(10.5, 41.0)).empty());
        CHECK(state_of(tickets) == State::open);
        tickets.record(work(11.0, Work::air_calibration));
        tickets.consider(probe(), after(12.0, 41.0));
        CHECK(state_of(tickets) == State::verified);
    }
    SECTION("other work in between puts nothing off") {
        tickets.record(work(8.0, Work::membrane_wipe));
        waiting.at = at_day(9.1);
        tickets.consider(probe(), waiting);
        CHECK(state_of(tickets) == State::open);
    }
}

TEST_CASE("what came of the work is there as figures, and new work begins anew", "[service][proof]") {
    auto tickets = book();
    auto floor = finding(Reason::background, 1.0);
    floor.value = 0.25;
    floor.limit = 0.2;
    tickets.consider(probe(), diagnosed(1.0, {slow(1.0), floor}));
    tickets.record(work(3.0));
    CHECK_FALSE(tickets.find("saltmarsh-17")->proof);
    tickets.consider(probe(), diagnosed(3.1));
    auto now = after(4.0, 41.0);
    now.background = diagnosis::Background{};
    now.background->value_mg_l = 0.02;
    now.background->at = at_day(3.9);
    SECTION("restored") {
        tickets.consider(probe(), now);
        auto const& proof = tickets.find("saltmarsh-17")->proof.value();
        CHECK(proof.restored);
        CHECK(proof.at == at_day(4.0));
        CHECK(proof.work == at_day(3.0));
        CHECK(proof.text == last_note(tickets));
        CHECK(proof.figures == std::vector<ProofFigure>{{"t90", 92.1, 41.0, 82.0, "s"},
                                                        {"background", 0.25, 0.02, 0.2, "mg/L"}});
    }
    SECTION("still wrong, and a figure that nobody has seen since is left open") {
        now.background->at = at_day(2.0);
        auto raised = slow(4.0, 95.0);
        now.findings = {raised};
        now.t90->value_s = 95.0;
        tickets.consider(probe(), now);
        auto const& proof = tickets.find("saltmarsh-17")->proof.value();
        CHECK_FALSE(proof.restored);
        CHECK(state_of(tickets) == State::open);
        REQUIRE(proof.figures.size() == 2);
        CHECK(proof.figures[0].before == 92.1);
        CHECK(proof.figures[0].after == 95.0);
        CHECK_FALSE(proof.figures[1].after);
        tickets.record(work(5.0));
        CHECK_FALSE(tickets.find("saltmarsh-17")->proof);
    }
}

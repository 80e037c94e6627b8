#include <catch2/catch.hpp>

#include "service/support.h"
#include "service/urgency.h"

using namespace probekeeper;
using namespace probekeeper::service;
using namespace probekeeper::service::testing;
using fleet::Use;

namespace {

Pressing of(std::vector<Finding> const& findings, Use use) {
    std::vector<TicketReason> reasons;
    for (auto const& f : findings) {
        reasons.push_back({f, std::nullopt});
    }
    return pressing(reasons, use).value();
}

}  // namespace

TEST_CASE("a failure is urgent now, and due that day, where control or an alarm hangs on it",
          "[service][urgency]") {
    auto const use = GENERATE(Use::control, Use::alarm);
    auto const reason =
        GENERATE(Reason::no_signal, Reason::membrane_damage, Reason::stuck, Reason::no_communication);
    auto const p = of({slow(1.0), finding(reason, 3.0)}, use);
    CHECK(p.urgency == Urgency::now);
    CHECK(p.due == at_day(3.0));
}

TEST_CASE("a limit passed is for this week", "[service][urgency]") {
    auto const p = of({slow(3.0)}, Use::control);
    CHECK(p.urgency == Urgency::this_week);
    CHECK(p.due == at_day(10.0));
}

TEST_CASE("a limit passed after the forecast was raised is due a week after it was passed",
          "[service][urgency]") {
    auto passed = slow(3.0);
    passed.since = at_day(12.0);
    CHECK(of({passed}, Use::alarm).due == at_day(19.0));
}

TEST_CASE("a forecast is for the next visit and due on its day", "[service][urgency]") {
    auto const p = of({forecast(1.0, 12.0)}, Use::control);
    CHECK(p.urgency == Urgency::next_visit);
    CHECK(p.due == at_day(12.0));
}

TEST_CASE("verification is for the next visit, on no day", "[service][urgency]") {
    auto const p = of({finding(Reason::verification_due, 1.0)}, Use::control);
    CHECK(p.urgency == Urgency::next_visit);
    CHECK_FALSE(p.due);
}

TEST_CASE("where use is monitor everything is for the next visit", "[service][urgency]") {
    auto const f = GENERATE(slow(1.0), finding(Reason::no_signal, 1.0), finding(Reason::background, 1.0));
    CHECK(of({f}, Use::monitor).urgency == Urgency::next_visit);
}

TEST_CASE("a cleared reason presses nobody", "[service][urgency]") {
    std::vector<TicketReason> reasons{{finding(Reason::no_signal, 1.0), at_day(2.0)}};
    CHECK_FALSE(pressing(reasons, Use::control));
    reasons.push_back({forecast(1.0, 12.0), std::nullopt});
    CHECK(pressing(reasons, Use::control)->urgency == Urgency::next_visit);
}

TEST_CASE("a forecast that comes true makes its ticket more urgent", "[service][urgency]") {
    auto tickets = book();
    auto const opened = tickets.consider(probe(), diagnosed(1.0, {forecast(1.0, 5.0)}));
    REQUIRE(opened.at(0).urgency == Urgency::next_visit);
    auto passed = slow(1.0, 84.0);
    passed.since = at_day(4.5);
    auto const changed = tickets.consider(probe(), diagnosed(5.0, {passed}));
    REQUIRE(changed.size() == 1);
    CHECK(changed[0].urgency == Urgency::this_week);
    CHECK(changed[0].due == at_day(11.5));
}

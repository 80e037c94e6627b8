#include <catch2/catch.hpp>

#include "fieldbus/backoff.h"
#include "fieldbus/schedule.h"

using namespace probekeeper::fieldbus;
using namespace std::chrono_literals;

namespace {

SteadyTime const start{100s};

}  // namespace

TEST_CASE("the probes of a line are spread evenly inside the interval", "[fieldbus][schedule]") {
    Schedule schedule{start, {8s, 8s, 8s, 8s}};
    for (std::size_t i = 0; i < 4; ++i) {
        CHECK(schedule.next().item == i);
        CHECK(schedule.next().due == start + i * 2s);
        CHECK(schedule.done(i, schedule.next().due + 10ms) == 0);
    }
    CHECK(schedule.next().due == start + 8s);
}

TEST_CASE("slots neither drift with late polls nor pile up", "[fieldbus][schedule]") {
    Schedule schedule{start, {1s}};
    CHECK(schedule.done(0, start + 900ms) == 0);
    CHECK(schedule.next().due == start + 1s);
    CHECK(schedule.done(0, start + 1999ms) == 0);
    CHECK(schedule.next().due == start + 2s);
    // Busy until 5.3 s: slots 3 and 4 are gone, slot 5 is still good.
    CHECK(schedule.done(0, start + 5300ms) == 2);
    CHECK(schedule.next().due == start + 5s);
    CHECK(schedule.done(0, start + 5400ms) == 0);
    CHECK(schedule.next().due == start + 6s);
}

TEST_CASE("slots left out on purpose are not missed", "[fieldbus][schedule]") {
    Schedule schedule{start, {1s}};
    CHECK(schedule.done(0, start + 500ms, /*skip=*/3) == 0);
    CHECK(schedule.next().due == start + 4s);
    CHECK(schedule.defer(0, start + 6500ms) == 3);
    CHECK(schedule.next().due == start + 7s);
    CHECK(schedule.defer(0, start + 7s) == 0);
}

TEST_CASE("a silent unit is asked in the next slot, then ever less often up to once a minute",
          "[fieldbus][backoff]") {
    CHECK(slots_to_skip(0, 5s) == 0);
    CHECK(slots_to_skip(1, 5s) == 0);
    CHECK(slots_to_skip(2, 5s) == 1);
    CHECK(slots_to_skip(3, 5s) == 3);
    CHECK(slots_to_skip(4, 5s) == 7);
    CHECK(slots_to_skip(5, 5s) == 11);
    CHECK(slots_to_skip(1000, 5s) == 11);
    CHECK(slots_to_skip(1000, 100ms) == 599);
    CHECK(slots_to_skip(1000, 90s) == 0);
}

TEST_CASE("waiting for silent units takes at most 3 % of a line", "[fieldbus][backoff]") {
    RetryBudget budget{500ms, start};
    CHECK_FALSE(budget.allows(start));
    auto spent = 0ns;
    for (auto now = start; now < start + 1000s; now += 10ms) {
        if (budget.allows(now)) {
            budget.spend(now, 500ms);
            spent += 500ms;
        }
    }
    CHECK(spent <= 30'500ms);
    CHECK(spent >= 29s);
}

TEST_CASE("what a line did not spend on silent units is saved up to one timeout only",
          "[fieldbus][backoff]") {
    RetryBudget budget{500ms, start};
    auto const much_later = start + 1h;
    CHECK(budget.allows(much_later));
    budget.spend(much_later, 500ms);
    CHECK_FALSE(budget.allows(much_later + 16s));
    CHECK(budget.allows(much_later + 17s));
}

TEST_CASE("a line is tried again after 1 s doubling to 30 s, each shortened by chance to no less than half",
          "[fieldbus][backoff]") {
    auto const part = GENERATE(0.0, 0.5, 0.999);
    auto const factor = 1.0 - 0.5 * part;
    CAPTURE(part);
    ConnectBackoff backoff;
    CHECK(backoff.allows(start));
    for (double const full : {1.0, 2.0, 4.0, 8.0, 16.0, 30.0, 30.0}) {
        backoff.attempted(start, [&] { return part; });
        auto const wait = std::chrono::nanoseconds{static_cast<long>(full * factor * 1e9)};
        CHECK_FALSE(backoff.allows(start + wait - 1ms));
        CHECK(backoff.allows(start + wait + 1ms));
    }
    backoff.answered();
    CHECK(backoff.allows(start));
    backoff.attempted(start, [] { return 0.0; });
    CHECK(backoff.allows(start + 1s));
}

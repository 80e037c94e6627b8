#include "diagnosis/tracker.h"

#include <catch2/catch.hpp>

namespace probekeeper::diagnosis {
namespace {

constexpr std::int64_t hour = 3'600'000;
constexpr Patience patience{3.0 * 3600.0, 6.0 * 3600.0};

// `hours` of the same evidence, hourly, from `at` on.
void hold(Tracker& tracker, std::int64_t& at, int hours, double probability) {
    for (int i = 0; i < hours; ++i) {
        at += hour;
        tracker.take(at, probability, patience);
    }
}

}  // namespace

TEST_CASE("a reason is raised only after evidence has been strong for long enough", "[diagnosis][tracker]") {
    Tracker tracker;
    std::int64_t at = 1000 * hour;
    hold(tracker, at, 3, 0.99);
    CHECK_FALSE(tracker.standing());
    hold(tracker, at, 1, 0.99);
    CHECK(tracker.standing());
    CHECK(tracker.raised_ms() == 1004 * hour);
    CHECK(tracker.over_ms() == 1001 * hour);
}

TEST_CASE("what only has to be likely is raised by less evidence, and as slowly", "[diagnosis][tracker]") {
    Tracker tracker;
    std::int64_t at = 1000 * hour;
    Patience const likely{patience.raise_s, patience.drop_s, 0.8};
    for (int i = 0; i < 3; ++i) {
        tracker.take(at += hour, 0.85, likely);
    }
    CHECK_FALSE(tracker.standing());
    tracker.take(at += hour, 0.85, likely);
    CHECK(tracker.standing());
    CHECK(tracker.probability() == 0.85);
}

TEST_CASE("evidence that pauses has to begin anew", "[diagnosis][tracker]") {
    Tracker tracker;
    std::int64_t at = 1000 * hour;
    for (int i = 0; i < 5; ++i) {
        hold(tracker, at, 3, 0.99);
        hold(tracker, at, 1, 0.9);
    }
    CHECK_FALSE(tracker.standing());
}

TEST_CASE("a reason that stands is deaf to middling evidence, and goes only when it has long been weak",
          "[diagnosis][tracker]") {
    Tracker tracker;
    std::int64_t at = 1000 * hour;
    hold(tracker, at, 4, 0.99);
    REQUIRE(tracker.standing());
    hold(tracker, at, 100, 0.4);
    CHECK(tracker.standing());
    hold(tracker, at, 6, 0.1);
    CHECK(tracker.standing());
    hold(tracker, at, 1, 0.1);
    CHECK_FALSE(tracker.standing());
    CHECK(tracker.over_ms() == 0);
}

TEST_CASE("nothing changes where there is no evidence", "[diagnosis][tracker]") {
    Tracker tracker;
    std::int64_t at = 1000 * hour;
    hold(tracker, at, 50, -1.0);
    CHECK_FALSE(tracker.standing());
    hold(tracker, at, 4, 0.99);
    auto const raised = tracker.raised_ms();
    hold(tracker, at, 500, -1.0);
    CHECK(tracker.standing());
    CHECK(tracker.raised_ms() == raised);
}

TEST_CASE("a reason that comes back is another one", "[diagnosis][tracker]") {
    Tracker tracker;
    std::int64_t at = 1000 * hour;
    hold(tracker, at, 4, 0.99);
    auto const first = tracker.raised_ms();
    hold(tracker, at, 8, 0.0);
    hold(tracker, at, 4, 0.99);
    CHECK(tracker.standing());
    CHECK(tracker.raised_ms() > first);
}

}  // namespace probekeeper::diagnosis

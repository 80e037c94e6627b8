#include "rounds/region.h"

#include <algorithm>
#include <catch2/catch.hpp>
#include <vector>

#include "rounds/instances.h"
#include "rounds/ruin.h"

namespace probekeeper::rounds {
namespace {

bool always() {
    return true;
}

Plan first_plan(Week const& week) {
    SearchSettings settings;
    settings.iterations = 1'000;
    return ruin(week, settings).plan;
}

std::vector<int> seats_of(Kinds const& kinds, std::vector<Choice::Route> const& routes) {
    std::vector<int> seats(kinds.crew_size.size(), 0);
    for (auto const& route : routes) {
        for (int const crew : kinds.crews[route.kind]) {
            ++seats[static_cast<std::size_t>(crew)];
        }
    }
    return seats;
}

TEST_CASE("two halves share a week's routes, visits and people, and neither has what the other has",
          "[rounds][region]") {
    auto const week = made_week(14, 70, 5, 2);
    Choice const choice{week};
    auto const whole = choice.whole(first_plan(week));
    Random random{3};
    auto const halves = halves_of(week, choice.kinds(), whole, random);
    CHECK(halves[0].routes.size() + halves[1].routes.size() == whole.routes.size());
    CHECK(halves[1].routes.size() - halves[0].routes.size() <= 1);
    for (std::size_t v = 0; v < week.visits.size(); ++v) {
        CHECK(halves[0].visits[v] + halves[1].visits[v] == 1);
    }
    for (std::size_t c = 0; c < whole.crews.size(); ++c) {
        CHECK(halves[0].crews[c] + halves[1].crews[c] == whole.crews[c]);
    }
    for (auto const& half : halves) {
        auto const seats = seats_of(choice.kinds(), half.routes);
        for (std::size_t c = 0; c < seats.size(); ++c) {
            CHECK(seats[c] <= half.crews[c]);
        }
        for (auto const& route : half.routes) {
            CHECK(std::all_of(route.visits.begin(), route.visits.end(),
                              [&](int v) { return half.visits[static_cast<std::size_t>(v)] == 1; }));
        }
    }
}

TEST_CASE("a half is bettered with its own visits and people, so that both halves hold together",
          "[rounds][region]") {
    auto const week = made_week(15, 70, 5, 2);
    Choice choice{week};
    auto const plan = first_plan(week);
    Random random{4};
    auto const halves = halves_of(week, choice.kinds(), choice.whole(plan), random);
    std::vector<Choice::Route> now, best;
    for (auto const& half : halves) {
        Region region{week, choice, half, random.bits()};
        CHECK(region.better(200'000'000, 200'000'000, 10'000.0, always));
        auto bettered = half;
        bettered.routes = region.best();
        CHECK(choice.price(bettered) < choice.price(half));
        now.insert(now.end(), region.now().begin(), region.now().end());
        best.insert(best.end(), region.best().begin(), region.best().end());
    }
    CHECK_FALSE(judge(week, choice.plan_of(now)).broken);
    auto const judged = judge(week, choice.plan_of(best));
    CHECK_FALSE(judged.broken);
    CHECK(judged.price < judge(week, plan).price);
    CHECK(judged.price <= judge(week, choice.plan_of(now)).price);
}

TEST_CASE("a region told to stop keeps all its routes", "[rounds][region]") {
    auto const week = made_week(16, 70, 5, 2);
    Choice choice{week};
    auto const whole = choice.whole(first_plan(week));
    Region region{week, choice, whole, 1};
    CHECK_FALSE(region.better(200'000'000, 200'000'000, 0.0, [] { return false; }));
    CHECK(judge(week, choice.plan_of(region.now())).price == choice.price(whole));
    CHECK(judge(week, choice.plan_of(region.best())).price == choice.price(whole));
}

}  // namespace
}  // namespace probekeeper::rounds

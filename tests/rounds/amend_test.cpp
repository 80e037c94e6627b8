#include "rounds/amend.h"

#include <algorithm>
#include <catch2/catch.hpp>

#include "rounds/instances.h"
#include "rounds/search.h"

namespace probekeeper::rounds {
namespace {

// A published plan of all visits but the last, within the week that has it.
Plan published(Week const& week) {
    auto without = week;
    without.visits.pop_back();
    SearchSettings settings;
    settings.iterations = 3000;
    return search(without, settings).plan;
}

std::size_t moved_between(Week const& week, Plan const& before, Plan const& after) {
    std::size_t moved = 0;
    for (std::size_t s = 0; s < before.routes.size(); ++s) {
        auto const told = timetable(week, s, before.routes[s]);
        auto const now = timetable(week, s, after.routes[s]);
        for (auto const& stop : told->stops) {
            auto const same = std::find_if(now->stops.begin(), now->stops.end(),
                                           [&](Stop const& other) { return other.visit == stop.visit; });
            moved += same == now->stops.end() || std::abs(same->begin - stop.begin) > 1800 ? 1 : 0;
        }
    }
    return moved;
}

TEST_CASE("one more visit moves at most two others, and the answer says which", "[rounds][amend]") {
    std::size_t placed = 0;
    for (std::uint64_t seed = 1; seed <= 20; ++seed) {
        CAPTURE(seed);
        auto const week = made_week(seed, 28, 2, 1);
        auto const before = published(week);
        auto const after = amend(week, before);
        auto const judged = judge(week, after.plan);
        CHECK_FALSE(judged.broken);
        auto const already_left = judge(week, before).not_made.size();
        CHECK(after.not_placed.size() <= already_left);
        placed += already_left - after.not_placed.size();
        if (already_left == 1) {
            CHECK(after.moved.size() <= 2);
        }
        CHECK(moved_between(week, before, after.plan) == after.moved.size());
    }
    CHECK(placed >= 15);
}

TEST_CASE("nothing new changes nothing", "[rounds][amend]") {
    auto week = made_week(4, 20, 2, 1);
    auto const before = published(week);
    week.visits.pop_back();
    auto const after = amend(week, before);
    CHECK(after.plan.routes == before.routes);
    CHECK(after.moved.empty());
}

TEST_CASE("a visit makes room for one that fits nowhere else, and goes to another day", "[rounds][amend]") {
    Week week;
    week.places = 3;
    week.travel.assign(9, 10);
    for (int d = 0; d < 2; ++d) {
        Shift shift;
        shift.open = d * 1000;
        shift.close = d * 1000 + 130;
        shift.day = d;
        week.shifts.push_back(shift);
    }
    Visit any;
    any.place = 1;
    any.work = 100;
    any.windows = {{0, 2000}};
    any.unserved = 1000;
    auto only_first = any;
    only_first.place = 2;
    only_first.windows = {{0, 200}};
    week.visits = {any, only_first};
    auto const after = amend(week, Plan{{{0}, {}}});
    CHECK(after.plan.routes == std::vector<std::vector<int>>{{1}, {0}});
    CHECK(after.moved == std::vector<int>{0});
    AmendSettings strict;
    strict.most_moved = 0;
    CHECK(amend(week, Plan{{{0}, {}}}, strict).not_placed == std::vector<int>{1});
}

}  // namespace
}  // namespace probekeeper::rounds

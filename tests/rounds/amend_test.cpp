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

// Weeks of other densities, hours, ranks and skills; each visit that comes later is one more ticket.
TEST_CASE("whatever comes on top of a published week, one at a time, moves at most two others each",
          "[rounds][amend]") {
    std::size_t added = 0, placed = 0, most = 0;
    for (std::uint64_t seed = 100; seed < 140; ++seed) {
        constexpr std::size_t later = 8;
        auto const all =
            made_week(seed, static_cast<int>(20 + seed % 30), 2 + static_cast<int>(seed % 3), 1 + seed % 2);
        auto week = all;
        week.visits.resize(all.visits.size() - later);
        SearchSettings settings;
        settings.iterations = 2000;
        auto plan = search(week, settings).plan;
        for (std::size_t v = week.visits.size(); v < all.visits.size(); ++v) {
            CAPTURE(seed, v);
            AmendSettings amending;
            amending.left = judge(week, plan).not_made;
            week.visits.push_back(all.visits[v]);
            auto const after = amend(week, plan, amending);
            CHECK_FALSE(judge(week, after.plan).broken);
            CHECK(after.moved.size() <= 2);
            CHECK(moved_between(week, plan, after.plan) == after.moved.size());
            CHECK(judge(week, after.plan).price <= judge(week, plan).price);  // more is made, and it pays
            ++added;
            placed += after.not_placed.size() <= amending.left.size() ? 1 : 0;
            most = std::max(most, after.moved.size());
            plan = after.plan;
        }
    }
    CHECK(added == 320);
    CHECK(placed > 200);
    CHECK(most == 2);  // the bound is met, so it was tried
}

TEST_CASE(
    "a visit that was left when people were told moves nobody afterwards, and costs no more than leaving it",
    "[rounds][amend]") {
    Week week;
    week.places = 3;
    week.travel.assign(9, 10);
    Shift shift;
    shift.close = 1000;
    week.shifts.push_back(shift);
    Visit told;
    told.place = 1;
    told.work = 100;
    told.windows = {{0, 5000}};
    told.unserved = 1000;
    auto left = told;
    left.place = 2;
    left.windows = {{0, 200}};  // it could only come first, and the other two minutes later
    week.visits = {told, left};
    AmendSettings settings;
    settings.tolerance = 60;
    CHECK(amend(week, Plan{{{0}}}, settings).plan.routes[0] == std::vector<int>{1, 0});
    settings.left = {1};
    auto const after = amend(week, Plan{{{0}}}, settings);
    CHECK(after.plan.routes[0] == std::vector<int>{0});
    CHECK(after.not_placed == std::vector<int>{1});
    settings.left.clear();
    week.visits[1].unserved = 9;  // a way of ten more
    CHECK(amend(week, Plan{{{0}}}, settings).not_placed == std::vector<int>{1});
}

}  // namespace
}  // namespace probekeeper::rounds

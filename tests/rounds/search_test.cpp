#include "rounds/search.h"

#include <algorithm>
#include <atomic>
#include <catch2/catch.hpp>
#include <numeric>
#include <thread>

#include "rounds/exact.h"
#include "rounds/instances.h"
#include "rounds/random.h"

namespace probekeeper::rounds {
namespace {

SearchSettings quick(std::int64_t iterations) {
    SearchSettings settings;
    settings.iterations = iterations;
    return settings;
}

// All plans of a tiny week, one by one: nothing of the searches is used.
void try_all(Week const& week, std::size_t v, Plan& plan, Price& best) {
    if (v == week.visits.size()) {
        auto const judged = judge(week, plan);
        if (!judged.broken) {
            best = std::min(best, judged.price);
        }
        return;
    }
    try_all(week, v + 1, plan, best);
    for (auto& route : plan.routes) {
        for (std::size_t at = 0; at <= route.size(); ++at) {
            route.insert(route.begin() + static_cast<std::ptrdiff_t>(at), static_cast<int>(v));
            try_all(week, v + 1, plan, best);
            route.erase(route.begin() + static_cast<std::ptrdiff_t>(at));
        }
    }
}

Price best_of_all(Week const& week) {
    Plan plan{std::vector<std::vector<int>>(week.shifts.size())};
    Price best = forbidden;
    try_all(week, 0, plan, best);
    return best;
}

// Five visits and four shifts, with everything that a week can have.
Week tiny(std::uint64_t seed) {
    auto week = made_week(seed, 5, 1, 1);
    week.shifts.resize(2);
    Random random{seed ^ 0x5eedU};
    auto second = week.shifts[0];
    second.persons = {1};
    auto both = week.shifts[0];
    both.persons = {0, 1};
    both.crew = 2;
    both.per_drive *= 2;
    both.fixed = 100;
    week.shifts.push_back(second);
    week.shifts.push_back(both);
    for (auto& shift : week.shifts) {
        shift.longest = shift.regular + 3600;
        shift.per_overtime = 7;
        shift.capacity = 3;
    }
    for (auto& visit : week.visits) {
        visit.crew = random.one_in(3) ? 2 : 1;
        visit.load = 1;
        visit.in_shift.resize(week.shifts.size());
        for (auto& price : visit.in_shift) {
            price = random.one_in(8) ? forbidden : static_cast<Price>(random.below(20'000));
        }
    }
    return week;
}

TEST_CASE("on tiny weeks the proof finds what trying every plan finds, and the search nearly always",
          "[rounds][search]") {
    int missed = 0;
    for (std::uint64_t seed = 1; seed <= 25; ++seed) {
        CAPTURE(seed);
        auto const week = tiny(seed);
        auto const best = best_of_all(week);
        auto const found = search(week, quick(3000));
        auto const judged = judge(week, found.plan);
        CHECK_FALSE(judged.broken);
        CHECK(judged.price == found.price);
        CHECK(found.price >= best);
        missed += found.price > best ? 1 : 0;
        Plan const nothing{std::vector<std::vector<int>>(week.shifts.size())};
        auto const proof = prove(week, nothing);
        REQUIRE(proof);
        CHECK(proof->optimal);
        CHECK(proof->price == best);
        CHECK(judge(week, proof->plan).price == best);
    }
    CHECK(missed <= 2);
}

TEST_CASE("the search finds the published optimum of burma14, ulysses16 and berlin52", "[rounds][search]") {
    struct Known {
        char const* file;
        bool geographic;
        Price optimum, identity;
    };
    auto const known = GENERATE(Known{"tsplib-burma14.csv", true, 3323, 4562},
                                Known{"tsplib-ulysses16.csv", true, 6859, 9665},
                                Known{"tsplib-berlin52.csv", false, 7542, 22205});
    CAPTURE(known.file);
    auto const week = tour_of(data(known.file), known.geographic);
    std::vector<int> in_order(week.visits.size());
    std::iota(in_order.begin(), in_order.end(), 0);
    CHECK(judge(week, {{in_order}}).price == known.identity);
    auto const found = search(week, quick(30'000));
    CHECK(found.price == known.optimum);
    CHECK(judge(week, found.plan).price == found.price);
}

TEST_CASE("burma14 is proved, not only found", "[rounds][exact]") {
    auto const week = tour_of(data("tsplib-burma14.csv"), true);
    auto const proof = prove(week, search(week, quick(2000)).plan);
    REQUIRE(proof);
    CHECK(proof->optimal);
    CHECK(proof->price == 3323);
}

TEST_CASE("Solomon's C101 with 25 customers is found and proved at 191.3", "[rounds][exact]") {
    auto const week = solomon_of(data("solomon-c101-25.csv"), 10, 25);
    auto const found = search(week, quick(5000));
    CHECK(found.price == 1913);
    auto const proof = prove(week, found.plan);
    REQUIRE(proof);
    CHECK(proof->optimal);
    CHECK(proof->bound == 1913);
    CHECK(std::count_if(proof->plan.routes.begin(), proof->plan.routes.end(),
                        [](auto const& route) { return !route.empty(); }) == 3);
}

TEST_CASE("without rounding C101 with 25 customers costs 191.8136", "[rounds][search]") {
    auto const week = solomon_of(data("solomon-c101-25.csv"), 100'000, 25);
    CHECK(static_cast<double>(search(week, quick(5000)).price) / 1e5 == Approx(191.813620).margin(0.0003));
}

TEST_CASE("the same week gives the same plan, and another seed may not", "[rounds][search]") {
    auto const week = made_week(7, 40, 2, 1);
    auto const first = search(week, quick(2000));
    CHECK(search(week, quick(2000)).plan.routes == first.plan.routes);
    CHECK_FALSE(judge(week, first.plan).broken);
    CHECK(judge(week, first.plan).price == first.price);
}

TEST_CASE("progress is told, and whoever listens can end the search with the best so far",
          "[rounds][search]") {
    auto const week = made_week(7, 40, 2, 1);
    auto settings = quick(100'000);
    Price last = forbidden;
    int told = 0;
    settings.go_on = [&](Progress const& progress) {
        CHECK(progress.best <= last);
        CHECK(progress.of == 100'000);
        last = progress.best;
        return ++told < 4;
    };
    auto const found = search(week, settings);
    CHECK(found.cut_short);
    CHECK(told == 4);
    CHECK(found.iterations < 2000);
    CHECK_FALSE(judge(week, found.plan).broken);
}

// Two parts of a large week are chosen beside each other, on whichever core is idle.
TEST_CASE("a week large enough for two parts gives the same plan each time, and one that holds",
          "[rounds][search]") {
    auto const week = made_week(8, 110, 8, 2);
    auto const first = search(week, quick(8000));
    auto const judged = judge(week, first.plan);
    CHECK_FALSE(judged.broken);
    CHECK(judged.price == first.price);
    REQUIRE(std::count_if(first.plan.routes.begin(), first.plan.routes.end(),
                          [](auto const& route) { return !route.empty(); }) >= 24);
    std::vector<std::thread> others;
    std::atomic<bool> busy = true;
    for (int i = 0; i < 4; ++i) {
        others.emplace_back([&busy] {
            while (busy) {
            }
        });
    }
    auto const second = search(week, quick(8000));
    busy = false;
    for (auto& other : others) {
        other.join();
    }
    CHECK(second.plan.routes == first.plan.routes);
    CHECK(second.iterations == first.iterations);
}

TEST_CASE("a search begun from a plan is never worse than it", "[rounds][search]") {
    auto const week = made_week(3, 30, 2, 2);
    auto const first = search(week, quick(500));
    CHECK(search(week, quick(500), &first.plan).price <= first.price);
}

TEST_CASE("a week without visits, without anybody, or too large to prove is an answer, not a fault",
          "[rounds][search]") {
    Week nobody = made_week(1, 3, 1, 1);
    nobody.shifts.clear();
    for (auto& visit : nobody.visits) {
        visit.in_shift.clear();
    }
    CHECK(search(nobody, quick(300)).price > 0);
    Week nothing = made_week(1, 0, 1, 1);
    CHECK(search(nothing, quick(300)).price == 0);
    auto const large = made_week(1, 70, 1, 1);
    CHECK_FALSE(prove(large, search(large, quick(10)).plan));
}

TEST_CASE("the judge names what a plan breaks", "[rounds][plan]") {
    auto week = made_week(2, 4, 1, 1);
    for (auto& visit : week.visits) {
        visit.rank = 0;
        visit.skills = 0;
        visit.windows = {{0, 5 * 86'400}};
    }
    Plan plan{std::vector<std::vector<int>>(week.shifts.size())};
    plan.routes[0] = {0};
    CHECK_FALSE(judge(week, plan).broken);
    plan.routes[1] = {0};
    CHECK(judge(week, plan).broken == "visit 0 is made twice");
    plan.routes[1] = {1};
    week.visits[1].crew = 2;
    CHECK(judge(week, plan).broken == "shift 1 may not make visit 1");
    plan.routes[1] = {};
    plan.routes[0] = {0, 2};
    week.visits[0].rank = 2;
    CHECK(judge(week, plan).broken == "shift 0 comes to visit 2 from a higher rank");
}

}  // namespace
}  // namespace probekeeper::rounds

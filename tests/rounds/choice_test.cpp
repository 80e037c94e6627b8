#include "rounds/choice.h"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <numeric>

#include "rounds/exact.h"
#include "rounds/instances.h"
#include "rounds/packing.h"
#include "rounds/random.h"
#include "rounds/ruin.h"
#include "rounds/search.h"

namespace probekeeper::rounds {
namespace {

constexpr std::int64_t a_second = 1'000'000'000;

Plan nothing_of(Week const& week) {
    return {std::vector<std::vector<int>>(week.shifts.size())};
}

Plan ruin_a_little(Week const& week) {
    SearchSettings settings;
    settings.iterations = 500;
    return ruin(week, settings).plan;
}

TEST_CASE("a packing of the three sides of a triangle is half of each, and its rows are worth half",
          "[rounds][packing]") {
    Packing packing{{1, 1, 1}};
    std::vector<std::vector<int>> const sides{{0, 1}, {1, 2}, {0, 2}};
    for (auto const& side : sides) {
        packing.add(side, -1.0);
    }
    REQUIRE(packing.solve());
    CHECK(packing.cost() == Approx(-1.5).epsilon(1e-3));
    for (std::size_t i = 0; i < 3; ++i) {
        CHECK(packing.share(i) == Approx(0.5).margin(1e-3));
        CHECK(packing.worth(i) == Approx(0.5));
    }
    // A column over all three rows pays only where it saves more than they are worth.
    std::vector<int> const all{0, 1, 2};
    CHECK(packing.reduced(all, -1.4) == Approx(0.1));
    CHECK(packing.reduced(all, -1.6) == Approx(-0.1));
}

TEST_CASE("a row that holds two holds two, and a column that fills it twice fits once", "[rounds][packing]") {
    Packing packing{{2, 1, 1}};
    packing.add(std::vector<int>{0, 1}, -3.0);
    packing.add(std::vector<int>{0, 2}, -2.0);
    packing.add(std::vector<int>{0, 0}, -3.5);
    REQUIRE(packing.solve());
    CHECK(packing.cost() == Approx(-5.0).epsilon(1e-3));
    CHECK(packing.share(2) == Approx(0.0).margin(1e-3));
}

// What a linear program must hold whatever the columns: shares and worths that are possible and of one value.
TEST_CASE("a packing ends where what is packed costs as much as its rows are worth", "[rounds][packing]") {
    auto const seed = GENERATE(1U, 2U, 3U, 4U, 5U);
    CAPTURE(seed);
    Random random{seed};
    constexpr int rows = 60;
    std::vector<int> most(rows, 1);
    most[0] = 7;
    Packing packing{most};
    std::vector<std::vector<int>> columns;
    std::vector<double> costs;
    for (int late = 0; late < 2; ++late) {  // the second half is added to a packing that is solved
        for (int i = 0; i < 400; ++i) {
            std::vector<int> column{0};
            for (int r = 1; r < rows; ++r) {
                if (random.one_in(14)) {
                    column.push_back(r);
                }
            }
            costs.push_back(-1.0 - random.unit() * static_cast<double>(column.size()));
            packing.add(column, costs.back());
            columns.push_back(std::move(column));
        }
        REQUIRE(packing.solve());
    }
    std::vector<double> filled(rows, 0.0);
    for (std::size_t c = 0; c < columns.size(); ++c) {
        CHECK(packing.share(c) >= -1e-9);
        CHECK(packing.reduced(columns[c], costs[c]) >= -1e-6);
        for (int const r : columns[c]) {
            filled[static_cast<std::size_t>(r)] += packing.share(c);
        }
    }
    double worth = 0.0;
    for (std::size_t r = 0; r < rows; ++r) {
        CHECK(packing.worth(r) >= -1e-9);
        CHECK(filled[r] <= most[r] + 1e-3);
        worth += packing.worth(r) * most[r];
    }
    CHECK(-packing.cost() == Approx(worth).epsilon(1e-3));
}

TEST_CASE("people with the same hours, depot and skills are of one crew, and anything else tells them apart",
          "[rounds][kinds]") {
    auto week =
        made_week(5, 12, 10, 2);  // every third has a skill, every second another depot: four kinds a day
    auto const kinds = kinds_of(week);
    CHECK(kinds.shifts.size() == 4 * 5);
    CHECK(std::accumulate(kinds.crew_size.begin(), kinds.crew_size.end(), 0) == 50);
    week.shifts[2].close -= 60;
    week.visits[3].in_shift[11] += 1;
    CHECK(kinds_of(week).shifts.size() == 4 * 5 + 2);
}

TEST_CASE("a pair takes its two people out of their crews, and the roster gives nobody two shifts of a day",
          "[rounds][kinds]") {
    auto week = made_week(5, 3, 3, 1);
    std::erase_if(week.shifts, [](Shift const& shift) { return shift.day != 0; });
    for (auto& shift : week.shifts) {
        shift.skills = 0;
    }
    for (int a = 0; a < 3; ++a) {
        for (int b = a + 1; b < 3; ++b) {
            auto both = week.shifts[0];
            both.persons = {a, b};
            both.crew = 2;
            week.shifts.push_back(both);
        }
    }
    for (auto& visit : week.visits) {
        visit.in_shift.assign(week.shifts.size(), 0);
    }
    auto const kinds = kinds_of(week);
    REQUIRE(kinds.shifts.size() == 2);
    CHECK(kinds.crew_size == std::vector<int>{3});
    CHECK(kinds.crews[1] == std::vector<int>{0, 0});
    Roster roster{week, kinds};
    auto const pair = roster.take(1);
    auto const alone = roster.take(0);
    REQUIRE(pair);
    REQUIRE(alone);
    CHECK_FALSE(exclude(week.shifts[*pair], week.shifts[*alone]));
    CHECK_FALSE(roster.take(0));
    CHECK_FALSE(roster.take(1));
}

TEST_CASE("a route that is found holds, costs what the judge says and pays what it claims",
          "[rounds][finder]") {
    auto const week = made_week(9, 60, 4, 2);
    auto const kinds = kinds_of(week);
    Finder finder{week, kinds};
    std::vector<char> all(week.visits.size(), 1);
    all[7] = 0;
    finder.among(all);
    std::vector<Price> worth;
    for (std::size_t v = 0; v < week.visits.size(); ++v) {
        worth.push_back(static_cast<Price>(20'000 + 1'000 * (v % 40)));
    }
    std::size_t found = 0;
    for (std::size_t kind = 0; kind < kinds.shifts.size(); ++kind) {
        auto const shift = kinds.shifts[kind].front();
        for (auto const& route : finder.find(kind, worth, 1'000, {}, 5)) {
            ++found;
            auto const judged = judge_shift(week, shift, route.visits);
            CHECK_FALSE(judged.broken);
            CHECK(judged.price == route.price);
            Price gain = -route.price;
            for (int const v : route.visits) {
                gain += worth[static_cast<std::size_t>(v)];
                CHECK(v != 7);
            }
            CHECK(gain == route.gain);
            CHECK(gain > 1'000);
        }
    }
    CHECK(found > kinds.shifts.size());
}

TEST_CASE("with room for every label the best route is found, as the proof of a week of one day finds it",
          "[rounds][finder]") {
    auto const seed = GENERATE(1U, 2U, 3U, 4U, 5U, 6U);
    CAPTURE(seed);
    auto week = made_week(seed, 12, 1, 1);
    week.shifts.resize(1);
    std::vector<Price> worth;
    for (auto& visit : week.visits) {
        visit.in_shift.resize(1);
        worth.push_back(visit.unserved);
    }
    auto const kinds = kinds_of(week);
    Finder finder{week, kinds};
    finder.among(std::vector<char>(week.visits.size(), 1));
    auto const found = finder.find(0, worth, 0, {5'000, 12}, 1);
    auto const proof = prove(week, Plan{std::vector<std::vector<int>>(1)});
    REQUIRE(proof);
    REQUIRE(proof->optimal);
    Price const nothing = std::accumulate(worth.begin(), worth.end(), Price{0});
    CHECK(nothing - (found.empty() ? 0 : found[0].gain) == proof->price);
}

TEST_CASE("what is chosen holds, whatever the week has in it", "[rounds][choice]") {
    auto const seed = GENERATE(1U, 2U, 3U, 4U);
    CAPTURE(seed);
    auto week = made_week(seed, 30, 4, 2);
    Random random{seed};
    auto const alone = week.shifts.size();
    for (std::size_t a = 0; a < alone; ++a) {
        for (std::size_t b = a + 1; b < alone; ++b) {
            if (week.shifts[a].day == week.shifts[b].day && week.shifts[a].start == week.shifts[b].start) {
                auto both = week.shifts[a];
                both.persons.push_back(week.shifts[b].persons[0]);
                both.skills &= week.shifts[b].skills;
                both.crew = 2;
                both.per_drive *= 2;
                both.fixed = 100;
                week.shifts.push_back(both);
            }
        }
    }
    for (auto& shift : week.shifts) {
        shift.longest += 3600;
        shift.per_overtime = 7;
        shift.capacity = 5;
    }
    for (auto& visit : week.visits) {
        visit.crew = random.one_in(4) ? 2 : 1;
        visit.load = 1;
        visit.in_shift.resize(week.shifts.size());
        for (auto& price : visit.in_shift) {
            price = random.one_in(8) ? forbidden : static_cast<Price>(random.below(20'000));
        }
    }
    Choice choice{week};
    auto const routes = choice.choose(choice.whole(nothing_of(week)), a_second / 5, [] { return true; });
    REQUIRE(routes);
    auto const chosen = choice.plan_of(*routes);
    auto const judged = judge(week, chosen);
    CHECK_FALSE(judged.broken);
    CHECK(judged.not_made.size() < week.visits.size() / 2);
    // And a part of it, with one route, what it makes and its people, and all visits that are not made aside.
    auto part = choice.whole(chosen);
    CHECK(choice.price(part) == judged.price);
    auto const kept = part.routes.back();
    part.routes.pop_back();
    for (auto const* aside : {&judged.not_made, &kept.visits}) {
        for (int const v : *aside) {
            part.visits[static_cast<std::size_t>(v)] = 0;
        }
    }
    for (int const crew : choice.kinds().crews[kept.kind]) {
        --part.crews[static_cast<std::size_t>(crew)];
    }
    auto again = choice.choose(part, a_second / 5, [] { return true; });
    REQUIRE(again);
    std::vector<int> seats(part.crews.size(), 0);
    for (auto const& route : *again) {
        CHECK(judge_shift(week, choice.kinds().shifts[route.kind].front(), route.visits).price ==
              route.price);
        for (int const crew : choice.kinds().crews[route.kind]) {
            ++seats[static_cast<std::size_t>(crew)];
        }
        for (int const v : route.visits) {
            CHECK(part.visits[static_cast<std::size_t>(v)] == 1);
        }
    }
    for (std::size_t c = 0; c < seats.size(); ++c) {
        CHECK(seats[c] <= part.crews[c]);
    }
    again->push_back(kept);
    CHECK_FALSE(judge(week, choice.plan_of(*again)).broken);
}

TEST_CASE("a choice comes below its limit, or leaves the routes as they are", "[rounds][choice]") {
    auto const week = made_week(13, 60, 4, 2);
    Choice choice{week};
    auto const go_on = [] { return true; };
    auto part = choice.whole(ruin_a_little(week));
    std::size_t bettered = 0;
    for (int i = 0; i < 12; ++i) {
        auto const before = part;
        part.limit = choice.price(before) - (i % 4) * 5'000;
        auto routes = choice.choose(part, a_second / 5, go_on);
        REQUIRE(routes);
        part.routes = std::move(*routes);
        bool const left = choice.price(part) == choice.price(before);
        CHECK((left || choice.price(part) < part.limit));
        if (left) {
            CHECK(choice.plan_of(part.routes).routes == choice.plan_of(before.routes).routes);
        }
        bettered += left ? 0 : 1;
    }
    CHECK(bettered > 0);
    CHECK(bettered < 12);
    part.limit = 1;
    auto const routes = choice.choose(part, a_second / 5, go_on);
    REQUIRE(routes);
    CHECK(choice.plan_of(*routes).routes == choice.plan_of(part.routes).routes);
}

// A plan whose packing hangs each route on one visit at first, so that nothing seems to be worth much at
// once.
TEST_CASE("from any plan the choice of a whole week comes to far better routes", "[rounds][choice]") {
    auto const week = made_week(11, 60, 4, 2);
    Plan alone = nothing_of(week);
    for (std::size_t v = 0, s = 0; v < week.visits.size() && s < week.shifts.size(); ++v) {
        alone.routes[s] = {static_cast<int>(v)};
        if (judge_shift(week, s, alone.routes[s]).broken) {
            alone.routes[s].clear();
        } else {
            ++s;
        }
    }
    auto const before = judge(week, alone);
    REQUIRE_FALSE(before.broken);
    Choice choice{week};
    auto const routes = choice.choose(choice.whole(alone), a_second, [] { return true; });
    REQUIRE(routes);
    auto const after = judge(week, choice.plan_of(*routes));
    CHECK_FALSE(after.broken);
    CHECK(static_cast<double>(after.price) < 0.5 * static_cast<double>(before.price));
}

TEST_CASE("what one choice found another learns, and comes to as good a plan with less work",
          "[rounds][choice]") {
    auto const week = made_week(12, 40, 3, 1);
    Choice first{week}, second{week};
    auto const go_on = [] { return true; };
    auto const found = first.choose(first.whole(nothing_of(week)), a_second, go_on);
    REQUIRE(found);
    second.learn(first);
    auto const learned = second.choose(second.whole(nothing_of(week)), a_second, go_on);
    REQUIRE(learned);
    CHECK(second.spent() < first.spent());
    CHECK(static_cast<double>(judge(week, second.plan_of(*learned)).price) <
          1.03 * static_cast<double>(judge(week, first.plan_of(*found)).price));
}

TEST_CASE("a choice told to stop gives nothing, and the search that asked for it keeps what it had",
          "[rounds][choice]") {
    auto const week = made_week(7, 40, 2, 1);
    Choice choice{week};
    CHECK_FALSE(choice.choose(choice.whole(nothing_of(week)), a_second, [] { return false; }));
    SearchSettings settings;
    settings.iterations = 20'000;
    std::int64_t last = 0;
    settings.go_on = [&](Progress const& progress) {
        CHECK(progress.done >= last);
        last = progress.done;
        return progress.done < 4'000;  // amid the choice of the whole week
    };
    auto const found = search(week, settings);
    CHECK(found.cut_short);
    CHECK_FALSE(judge(week, found.plan).broken);
}

TEST_CASE("on weeks that can be proved the search with choices is within a fiftieth of the optimum",
          "[rounds][choice]") {
    for (int const sites : {20, 25, 30}) {
        CAPTURE(sites);
        auto const week = made_week(static_cast<std::uint64_t>(sites), sites, 2, 1);
        SearchSettings settings;
        settings.iterations = 60'000;
        auto const found = search(week, settings);
        auto const proof = prove(week, found.plan);
        REQUIRE(proof);
        REQUIRE(proof->optimal);
        CHECK(static_cast<double>(found.price) <= 1.02 * static_cast<double>(proof->price));
    }
}

}  // namespace
}  // namespace probekeeper::rounds

#include "rounds/region.h"

#include <algorithm>
#include <limits>
#include <utility>

namespace probekeeper::rounds {
namespace {

// By trial: a part is so many days around a visit.
constexpr std::uint32_t least_days = 8, more_days = 9;

std::int64_t far_between(Week const& week, std::size_t v, std::size_t u) {
    auto const a = week.visits[v].place, b = week.visits[u].place;
    return std::int64_t{week.way(a, b)} + week.way(b, a);
}

// In order of how near their nearest visit is to `centre`.
std::vector<std::size_t> by_nearness(Week const& week, std::vector<Choice::Route> const& routes,
                                     std::size_t centre) {
    std::vector<std::pair<std::int64_t, std::size_t>> near;
    for (std::size_t r = 0; r < routes.size(); ++r) {
        auto nearest = std::numeric_limits<std::int64_t>::max();
        for (int const v : routes[r].visits) {
            nearest = std::min(nearest, far_between(week, centre, static_cast<std::size_t>(v)));
        }
        near.emplace_back(nearest, r);
    }
    std::sort(near.begin(), near.end());
    std::vector<std::size_t> order;
    for (auto const& [far, r] : near) {
        order.push_back(r);
    }
    return order;
}

}  // namespace

std::array<Choice::Part, 2> halves_of(Week const& week, Kinds const& kinds, Choice::Part const& whole,
                                      Random& random) {
    Choice::Part const empty{
        {}, std::vector<char>(week.visits.size(), 0), std::vector<int>(whole.crews.size(), 0), forbidden};
    std::array<Choice::Part, 2> halves{empty, empty};
    auto unmade = whole.visits;
    auto resting = whole.crews;
    auto const centre = random.below(static_cast<std::uint32_t>(week.visits.size()));
    auto const order = by_nearness(week, whole.routes, centre);
    for (std::size_t i = 0; i < order.size(); ++i) {
        auto& half = halves[i < order.size() / 2 ? 0 : 1];
        auto const& route = whole.routes[order[i]];
        half.routes.push_back(route);
        for (int const v : route.visits) {
            half.visits[static_cast<std::size_t>(v)] = 1;
            unmade[static_cast<std::size_t>(v)] = 0;
        }
        for (int const crew : kinds.crews[route.kind]) {
            ++half.crews[static_cast<std::size_t>(crew)];
            --resting[static_cast<std::size_t>(crew)];
        }
    }
    for (std::size_t c = 0; c < resting.size(); ++c) {
        auto const first = (resting[c] + static_cast<int>(random.below(2))) / 2;
        halves[0].crews[c] += first;
        halves[1].crews[c] += resting[c] - first;
    }
    for (std::size_t v = 0; v < unmade.size(); ++v) {
        if (unmade[v] != 0) {
            halves[random.below(2)].visits[v] = 1;
        }
    }
    return halves;
}

Region::Region(Week const& week, Choice& choice, Choice::Part now, std::uint64_t seed)
    : week_{week},
      choice_{choice},
      now_{std::move(now)},
      now_price_{choice.price(now_)},
      best_{now_.routes},
      best_price_{now_price_},
      random_{seed} {}

bool Region::better(std::int64_t work, std::int64_t left, double heat, Choice::GoOn const& go_on) {
    std::vector<int> visits;
    for (std::size_t v = 0; v < now_.visits.size(); ++v) {
        if (now_.visits[v] != 0) {
            visits.push_back(static_cast<int>(v));
        }
    }
    auto const begin = choice_.spent();
    while (!visits.empty() && choice_.spent() - begin < work) {
        auto const centre = visits[random_.below(static_cast<std::uint32_t>(visits.size()))];
        auto const days = least_days + random_.below(more_days);
        auto part = part_around(static_cast<std::size_t>(centre), days);
        auto const before = choice_.price(part);
        part.limit = before + static_cast<Price>(heat * random_.exponential());
        auto routes = choice_.choose(part, left - (choice_.spent() - begin), go_on);
        bool const stopped = !routes;
        if (routes) {
            part.routes = std::move(*routes);
        }
        now_price_ += choice_.price(part) - before;
        now_.routes.insert(now_.routes.end(), part.routes.begin(), part.routes.end());
        if (now_price_ < best_price_) {
            best_price_ = now_price_;
            best_ = now_.routes;
        }
        if (stopped) {
            return false;
        }
    }
    return true;
}

// Takes its routes out of `now_`.
Choice::Part Region::part_around(std::size_t centre, std::size_t days) {
    auto order = by_nearness(week_, now_.routes, centre);
    order.resize(std::min(order.size(), days));
    Choice::Part part{{}, now_.visits, now_.crews, forbidden};
    std::vector<char> taken(now_.routes.size(), 0);
    for (auto const r : order) {
        taken[r] = 1;
        part.routes.push_back(now_.routes[r]);
    }
    std::vector<Choice::Route> rest;
    for (std::size_t r = 0; r < taken.size(); ++r) {
        if (taken[r] != 0) {
            continue;
        }
        for (int const v : now_.routes[r].visits) {
            part.visits[static_cast<std::size_t>(v)] = 0;
        }
        for (int const crew : choice_.kinds().crews[now_.routes[r].kind]) {
            --part.crews[static_cast<std::size_t>(crew)];
        }
        rest.push_back(std::move(now_.routes[r]));
    }
    now_.routes = std::move(rest);
    return part;
}

}  // namespace probekeeper::rounds

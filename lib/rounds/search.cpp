#include "rounds/search.h"

#include <algorithm>
#include <array>
#include <atomic>
#include <future>

#include "rounds/choice.h"
#include "rounds/random.h"
#include "rounds/ruin.h"

namespace probekeeper::rounds {
namespace {

// A round of ruin and recreate takes so many nanoseconds for each visit of the week, on the core that
// choice.cpp counts its work in.
constexpr std::int64_t round_per_visit = 90;
// By trial on weeks of the seeds 2001 to 2005. Hundredths of the rounds for the first plan, for the choice of
// the whole week, for mending that, and for mending what was chosen in parts, so many times.
constexpr std::int64_t first_share = 5, whole_share = 35, mend_share = 5, mend_later_share = 3;
constexpr std::int64_t mends_later = 2;
constexpr std::int64_t again_share = 15;
// A part of the week is so many days around a visit. How much worse, in the mean price of a visit, the week
// may become by a new choice of a part, at first.
constexpr std::uint32_t least_days = 8, more_days = 9;
constexpr double hot_visits = 1.5;
constexpr int tries = 6;  // for a second part that has little in common with the first
// Whatever a choice costs, so that a search ends.
constexpr std::int64_t least_rounds = 10;
// Below so many visits ruin and recreate finds what there is to find, and choosing has nothing to choose
// from.
constexpr std::size_t few_visits = 20;

// At the same time where another thread can be had, else when the result is asked for: either way the same.
template <typename Beside>
auto start_beside(Beside&& beside) {
    return std::async(std::launch::async | std::launch::deferred, std::forward<Beside>(beside));
}

// A first plan by ruin and recreate; routes chosen for the whole week; then again and again for two parts of
// it at a time, which have neither days nor visits in common.
class Search {
public:
    Search(Week const& week, SearchSettings const& settings, std::int64_t total)
        : week_{week},
          settings_{settings},
          total_{total},
          random_{settings.seed},
          choices_{{Choice{week}, Choice{week}}} {}

    Found run(Plan const* begin) {
        mend(total_ * first_share / 100, begin);
        choose_whole();
        mend(total_ * mend_share / 100, &found_.plan);
        now_ = found_.plan;
        now_price_ = found_.price;
        auto const days = static_cast<std::size_t>(std::count_if(
            now_.routes.begin(), now_.routes.end(), [](auto const& route) { return !route.empty(); }));
        has_two_parts_ = days >= 3 * least_days;
        if (days >= 2 * least_days) {
            choose_until_end();
        } else {
            choose_and_mend_until_end();
        }
        found_.iterations = std::min(found_.iterations, total_);
        return std::move(found_);
    }

private:
    // Now and then with ruin and recreate in between, which finds places for visits that no part had a route
    // for.
    void choose_until_end() {
        auto const between = (total_ - found_.iterations) / (mends_later + 1);
        for (auto next = found_.iterations + between; found_.iterations < total_ && !found_.cut_short;) {
            if (found_.iterations < next) {
                choose_parts();
                continue;
            }
            next += between;
            auto const before = found_.price;
            mend(total_ * mend_later_share / 100, &now_);
            if (found_.price < before) {
                now_ = found_.plan;
                now_price_ = found_.price;
            }
        }
    }

    // Where a part is nearly the whole, to choose again is to choose the same.
    void choose_and_mend_until_end() {
        for (bool turn = false; found_.iterations < total_ && !found_.cut_short; turn = !turn) {
            if (turn) {
                choose_parts();
            } else {
                mend(std::min(total_ - found_.iterations, total_ * again_share / 100), &found_.plan);
            }
        }
    }

    [[nodiscard]] std::int64_t work_of(std::int64_t rounds) const {
        return rounds * round_per_visit * static_cast<std::int64_t>(week_.visits.size());
    }
    [[nodiscard]] std::int64_t done() const {
        return found_.iterations + (choices_[0].spent() - accounted_[0]) / work_of(1);
    }
    // What the longer of two that worked beside each other took.
    void account() {
        std::int64_t longest = 0;
        for (std::size_t i = 0; i < choices_.size(); ++i) {
            longest = std::max(longest, choices_[i].spent() - accounted_[i]);
            accounted_[i] = choices_[i].spent();
        }
        found_.iterations += std::max(longest / work_of(1), least_rounds);
    }

    bool go_on() {
        if (settings_.go_on && !settings_.go_on({std::min(done(), total_), total_, found_.price})) {
            found_.cut_short = true;
            stop_ = true;
        }
        return !found_.cut_short;
    }

    void mend(std::int64_t rounds, Plan const* begin) {
        if (found_.cut_short) {
            return;
        }
        SearchSettings settings;
        settings.iterations = std::max<std::int64_t>(1, rounds);
        settings.seed = random_.bits();
        auto settings_beside = settings;
        settings_beside.seed = random_.bits();
        settings_beside.go_on = [this](Progress const&) { return !stop_; };
        auto beside = start_beside([&] { return ruin(week_, settings_beside, begin); });
        if (settings_.go_on) {
            settings.go_on = [&, before = found_.iterations](Progress const& progress) {
                auto const best =
                    found_.plan.routes.empty() ? progress.best : std::min(progress.best, found_.price);
                stop_ = !settings_.go_on({before + progress.done, total_, best});
                return !stop_;
            };
        }
        auto mended = ruin(week_, settings, begin);
        found_.iterations += mended.iterations;
        found_.cut_short = mended.cut_short;
        for (auto&& one : {std::move(mended), beside.get()}) {
            if (found_.plan.routes.empty() || one.price < found_.price) {
                found_.plan = one.plan;
                found_.price = one.price;
            }
            for (auto& choice : choices_) {
                choice.offer(one.plan);
            }
        }
    }

    void keep_if_better(Plan const& plan, Price price) {
        if (price < found_.price) {
            found_.price = price;
            found_.plan = plan;
        }
    }

    void choose_whole() {
        if (found_.cut_short) {
            return;
        }
        auto const routes =
            choices_[0].choose(found_.plan, work_of(total_ * whole_share / 100), [this] { return go_on(); });
        account();
        if (!routes) {
            return;
        }
        choices_[1].learn(choices_[0]);
        auto const plan = choices_[0].plan_of(*routes);
        auto const judged = judge(week_, plan);
        if (!judged.broken) {
            keep_if_better(plan, judged.price);
        }
    }

    void choose_parts() {
        auto const left = work_of(total_ - found_.iterations);
        auto const parts = make_parts();
        std::future<std::optional<std::vector<Choice::Route>>> beside;
        if (parts.size() > 1) {
            beside = start_beside(
                [&] { return choices_[1].choose(now_, parts[1], left, [this] { return !stop_; }); });
        }
        auto routes = choices_[0].choose(now_, parts[0], left, [this] { return go_on(); });
        auto const routes_beside = beside.valid() ? beside.get() : std::vector<Choice::Route>{};
        account();
        if (!routes || !routes_beside) {
            return;
        }
        choices_[0].learn(choices_[1]);
        choices_[1].learn(choices_[0]);
        routes->insert(routes->end(), routes_beside->begin(), routes_beside->end());
        for (std::size_t s = 0; s < now_.routes.size(); ++s) {
            bool const freed =
                std::any_of(parts.begin(), parts.end(), [s](Part const& part) { return part.freed[s] != 0; });
            if (!freed && !now_.routes[s].empty()) {
                routes->push_back({choices_[0].kinds().kind_of[s], now_.routes[s]});
            }
        }
        consider(choices_[0].plan_of(*routes));
    }

    void consider(Plan const& plan) {
        auto const judged = judge(week_, plan);
        double const cold = static_cast<double>(found_.iterations) / static_cast<double>(total_);
        double const heat = hot_visits * std::max(0.0, 1.0 - cold) * static_cast<double>(found_.price) /
                            static_cast<double>(week_.visits.size());
        if (!judged.broken && static_cast<double>(judged.price - now_price_) < heat * random_.exponential()) {
            keep_if_better(plan, judged.price);
            now_ = plan;
            now_price_ = judged.price;
        }
    }

    // The days around some visit; two such parts where the week is large enough, what rests being shared.
    std::vector<Part> make_parts() {
        Part const none{std::vector<char>(week_.shifts.size(), 0), std::vector<char>(week_.visits.size(), 0),
                        std::vector<int>(choices_[0].kinds().crew_size.size(), 0)};
        // As large as each other, so that neither waits long for the other.
        auto const count = least_days + random_.below(more_days);
        auto const [centre, days] = days_around({}, count);
        std::vector<Part> parts{none};
        for (auto const s : days) {
            parts[0].freed[s] = 1;
        }
        if (!has_two_parts_) {
            return parts;
        }
        auto const [other_centre, other_days] = days_around(days, count);
        parts.push_back(none);
        for (auto const s : other_days) {
            parts[1].freed[s] = 1;
        }
        share_rest(centre, other_centre, parts);
        return parts;
    }

    // Visits that nobody makes go to the part that is nearer, and people without work to either by chance.
    void share_rest(std::size_t centre, std::size_t other_centre, std::vector<Part>& parts) {
        auto const& kinds = choices_[0].kinds();
        auto resting = kinds.crew_size;
        std::vector<char> made(week_.visits.size(), 0);
        for (std::size_t s = 0; s < now_.routes.size(); ++s) {
            for (int const v : now_.routes[s]) {
                made[static_cast<std::size_t>(v)] = 1;
            }
            for (int const crew :
                 now_.routes[s].empty() ? std::vector<int>{} : kinds.crews[kinds.kind_of[s]]) {
                --resting[static_cast<std::size_t>(crew)];
            }
        }
        for (std::size_t v = 0; v < made.size(); ++v) {
            bool const first = far_between(centre, v) <= far_between(other_centre, v);
            parts[first ? 1 : 0].aside[v] = static_cast<char>(made[v] == 0);
        }
        for (std::size_t c = 0; c < resting.size(); ++c) {
            auto const first = (resting[c] + static_cast<int>(random_.below(2))) / 2;
            parts[0].resting[c] = resting[c] - first;
            parts[1].resting[c] = first;
        }
    }

    // Of `tries` visits the one whose days are fewest among `taken`, and its days without those.
    std::pair<std::size_t, std::vector<std::size_t>> days_around(std::vector<std::size_t> const& taken,
                                                                 std::size_t count) {
        std::pair<std::size_t, std::vector<std::size_t>> best;
        std::size_t fewest = taken.size() + 1;
        for (int i = 0; i < (taken.empty() ? 1 : tries) && fewest > 0; ++i) {
            auto const centre = random_.below(static_cast<std::uint32_t>(week_.visits.size()));
            auto days = nearest_days(centre, count);
            auto const common = std::erase_if(
                days, [&](std::size_t s) { return std::find(taken.begin(), taken.end(), s) != taken.end(); });
            if (common < fewest) {
                fewest = common;
                best = {centre, std::move(days)};
            }
        }
        return best;
    }

    [[nodiscard]] std::vector<std::size_t> nearest_days(std::size_t centre, std::size_t count) const {
        std::vector<std::pair<std::int64_t, std::size_t>> days;  // how near, shift
        for (std::size_t s = 0; s < now_.routes.size(); ++s) {
            std::optional<std::int64_t> nearest;
            for (int const v : now_.routes[s]) {
                auto const far = far_between(centre, static_cast<std::size_t>(v));
                nearest = nearest ? std::min(*nearest, far) : far;
            }
            if (nearest) {
                days.emplace_back(*nearest, s);
            }
        }
        std::sort(days.begin(), days.end());
        days.resize(std::min(days.size(), count));
        std::vector<std::size_t> shifts;
        for (auto const& [far, s] : days) {
            shifts.push_back(s);
        }
        return shifts;
    }

    [[nodiscard]] std::int64_t far_between(std::size_t v, std::size_t u) const {
        auto const a = week_.visits[v].place, b = week_.visits[u].place;
        return std::int64_t{week_.way(a, b)} + week_.way(b, a);
    }

    Week const& week_;
    SearchSettings const& settings_;
    std::int64_t total_;
    Random random_;
    std::array<Choice, 2> choices_;
    std::array<std::int64_t, 2> accounted_{};  // of their work, what is among found_.iterations
    std::atomic<bool> stop_ = false;           // whoever works beside
    bool has_two_parts_ = false;
    Found found_;
    Plan now_;  // where the search is, perhaps worse than what it found
    Price now_price_ = 0;
};

}  // namespace

std::int64_t usual_iterations(std::size_t visits) {
    auto const n = std::max<std::int64_t>(1, static_cast<std::int64_t>(visits));
    // A round takes longer with more visits: more places to look at, and more days.
    return std::min(std::clamp<std::int64_t>(n * 1'000, 60'000, 180'000),
                    std::max(10'000'000'000 / (n * n), 25'000'000 / n));
}

Found search(Week const& week, SearchSettings const& settings, Plan const* begin) {
    auto all = settings;
    all.iterations = settings.iterations > 0 ? settings.iterations : usual_iterations(week.visits.size());
    if (week.shifts.size() < 2 || week.visits.size() < few_visits) {
        return ruin(week, all, begin);
    }
    return Search{week, all, all.iterations}.run(begin);
}

}  // namespace probekeeper::rounds

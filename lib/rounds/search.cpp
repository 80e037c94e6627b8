#include "rounds/search.h"

#include <algorithm>
#include <array>
#include <atomic>
#include <future>

#include "rounds/choice.h"
#include "rounds/random.h"
#include "rounds/region.h"
#include "rounds/ruin.h"

namespace probekeeper::rounds {
namespace {

// A round of ruin and recreate takes so many nanoseconds for each visit of the week, on the core that
// choice.cpp counts its work in.
constexpr std::int64_t round_per_visit = 90;
// By trial on weeks of the seeds 2001 to 2005 and 1 to 12. Hundredths of the rounds for the first plan, for
// the choice of the whole week, for mending that, and for mending what was chosen in parts, so many times.
constexpr std::int64_t first_share = 5, whole_share = 35, mend_share = 5, mend_later_share = 3;
constexpr std::int64_t mends_later = 2;
constexpr std::int64_t again_share = 15;
// How many days a week must have for two regions, or for parts that are not nearly the whole.
constexpr std::size_t days_of_two = 24, days_of_parts = 16;
// Hundredths of the rounds that two work beside each other before what they found is joined; how much worse,
// in the mean price of a visit, the week may become by a new choice of a part, at first.
constexpr std::int64_t beside_share = 3;
constexpr double hot_visits = 0.6;
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

// Two first plans by ruin and recreate; from each, routes chosen for the whole week; from the better one on,
// routes chosen again and again for parts of it, in two regions at a time, which have neither days nor visits
// in common.
class Search {
public:
    Search(Week const& week, SearchSettings const& settings, std::int64_t total)
        : week_{week},
          settings_{settings},
          total_{total},
          random_{settings.seed},
          choices_{{Choice{week}, Choice{week}}} {}

    Found run(Plan const* begin) {
        mend(total_ * first_share / 100, {begin, begin});
        choose_whole();
        mend(total_ * mend_share / 100, {&plans_[0], &plans_[1]});
        auto const days =
            static_cast<std::size_t>(std::count_if(found_.plan.routes.begin(), found_.plan.routes.end(),
                                                   [](auto const& route) { return !route.empty(); }));
        now_ = found_.plan;
        has_two_regions_ = days >= days_of_two;
        if (days >= days_of_parts) {
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
            mend(total_ * mend_later_share / 100, {&now_, &now_});
            if (found_.price < before) {
                now_ = found_.plan;
            }
        }
    }

    // Where a part is nearly the whole, to choose again is to choose the same.
    void choose_and_mend_until_end() {
        for (bool turn = false; found_.iterations < total_ && !found_.cut_short; turn = !turn) {
            if (turn) {
                now_ = found_.plan;
                choose_parts();
            } else {
                mend(std::min(total_ - found_.iterations, total_ * again_share / 100),
                     {&found_.plan, &found_.plan});
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

    // Twice, by other chance; what comes of it is in `plans_`.
    void mend(std::int64_t rounds, std::array<Plan const*, 2> begins) {
        if (found_.cut_short) {
            return;
        }
        std::array<SearchSettings, 2> settings;
        for (auto& one : settings) {
            one.iterations = std::max<std::int64_t>(1, rounds);
            one.seed = random_.bits();
        }
        if (settings_.go_on) {
            settings[0].go_on = [&, before = found_.iterations](Progress const& progress) {
                auto const best =
                    found_.plan.routes.empty() ? progress.best : std::min(progress.best, found_.price);
                stop_ = !settings_.go_on({before + progress.done, total_, best});
                return !stop_;
            };
        }
        settings[1].go_on = [this](Progress const&) { return !stop_; };
        std::array<Found, 2> mended;
        both([&](std::size_t i) { mended[i] = ruin(week_, settings[i], begins[i]); });
        found_.iterations += mended[0].iterations;
        found_.cut_short = mended[0].cut_short;
        for (std::size_t i = 0; i < mended.size(); ++i) {
            keep_if_better(mended[i].plan, mended[i].price);
            for (auto& choice : choices_) {
                choice.offer(mended[i].plan);
            }
            plans_[i] = std::move(mended[i].plan);
        }
    }

    void keep_if_better(Plan const& plan, Price price) {
        if (found_.plan.routes.empty() || price < found_.price) {
            found_.price = price;
            found_.plan = plan;
        }
    }

    // Nothing is taken before both are done.
    template <typename Work>
    void both(Work work) {
        auto beside = start_beside([&] { work(std::size_t{1}); });
        work(std::size_t{0});
        beside.get();
    }
    [[nodiscard]] Choice::GoOn go_on_of(std::size_t i) {
        return i == 0 ? Choice::GoOn{[this] { return go_on(); }} : Choice::GoOn{[this] { return !stop_; }};
    }
    void learn() {
        account();
        choices_[0].learn(choices_[1]);
        choices_[1].learn(choices_[0]);
    }

    // As the plan where it is, and as what is found where that is better.
    void take(std::vector<Choice::Route> const& routes, Plan& plan) {
        auto made = choices_[0].plan_of(routes);
        auto const judged = judge(week_, made);
        if (!judged.broken) {
            keep_if_better(made, judged.price);
            plan = std::move(made);
        }
    }

    void choose_whole() {
        if (found_.cut_short) {
            return;
        }
        auto const work = work_of(total_ * whole_share / 100);
        std::array<std::optional<std::vector<Choice::Route>>, 2> routes;
        both([&](std::size_t i) {
            routes[i] = choices_[i].choose(choices_[i].whole(plans_[i]), work, go_on_of(i));
        });
        learn();
        for (std::size_t i = 0; i < routes.size(); ++i) {
            if (routes[i]) {
                take(*routes[i], plans_[i]);
            }
        }
    }

    // What was chosen better stays even where the other region became worse.
    void choose_parts() {
        auto regions = make_regions();
        better(regions);
        std::vector<Choice::Route> now, best;
        for (auto const& region : regions) {
            now.insert(now.end(), region.now().begin(), region.now().end());
            best.insert(best.end(), region.best().begin(), region.best().end());
        }
        Plan found;
        take(best, found);
        take(now, now_);
    }

    void better(std::vector<Region>& regions) {
        auto const left = work_of(total_ - found_.iterations);
        auto const work = std::min(left, work_of(total_ * beside_share / 100));
        both([&, hot = heat()](std::size_t i) {
            if (i < regions.size()) {
                regions[i].better(work, left, hot, go_on_of(i));
            }
        });
        learn();
    }

    [[nodiscard]] double heat() const {
        double const cold = static_cast<double>(found_.iterations) / static_cast<double>(total_);
        return hot_visits * std::max(0.0, 1.0 - cold) * static_cast<double>(found_.price) /
               static_cast<double>(week_.visits.size());
    }

    // The half of the days that is nearest to some visit, and the other half; in a small week the whole.
    std::vector<Region> make_regions() {
        auto const whole = choices_[0].whole(now_);
        std::vector<Region> regions;
        if (!has_two_regions_) {
            regions.emplace_back(week_, choices_[0], whole, random_.bits());
            return regions;
        }
        auto halves = halves_of(week_, choices_[0].kinds(), whole, random_);
        for (std::size_t h = 0; h < halves.size(); ++h) {
            regions.emplace_back(week_, choices_[h], std::move(halves[h]), random_.bits());
        }
        return regions;
    }

    Week const& week_;
    SearchSettings const& settings_;
    std::int64_t total_;
    Random random_;
    std::array<Choice, 2> choices_;
    std::array<std::int64_t, 2> accounted_{};  // of their work, what is among found_.iterations
    std::atomic<bool> stop_ = false;           // whoever works beside
    bool has_two_regions_ = false;
    Found found_;
    std::array<Plan, 2> plans_;  // what came of mending, or of choosing the whole from that
    Plan now_;                   // where the search is, perhaps worse than what it found
};

}  // namespace

std::int64_t usual_iterations(std::size_t visits) {
    auto const n = std::max<std::int64_t>(1, static_cast<std::int64_t>(visits));
    // A round takes longer with more visits: more places to look at, and more days.
    return std::min(std::clamp<std::int64_t>(n * 1'125, 60'000, 225'000),
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

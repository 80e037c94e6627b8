#include "rounds/search.h"

#include <algorithm>

#include "rounds/choice.h"
#include "rounds/random.h"
#include "rounds/ruin.h"

namespace probekeeper::rounds {
namespace {

// A round of ruin and recreate takes so many nanoseconds for each visit of the week, on the core that
// choice.cpp counts its work in.
constexpr std::int64_t round_per_visit = 90;
// By trial on weeks of the seeds 2001 to 2005. Hundredths of the rounds for the first plan, for the choice of
// the whole week, and for mending that.
constexpr std::int64_t first_share = 15, whole_share = 35, mend_share = 5, again_share = 15;
// A part of the week is so many days around a visit. How much worse, in the mean price of a visit, the week
// may become by a new choice of a part, at first.
constexpr std::uint32_t least_days = 8, more_days = 9;
constexpr double hot_visits = 1.5;
// Whatever a choice costs, so that a search ends.
constexpr std::int64_t least_rounds = 10;
// Below so many visits ruin and recreate finds what there is to find, and choosing has nothing to choose
// from.
constexpr std::size_t few_visits = 20;

// A first plan by ruin and recreate; routes chosen for the whole week; then again and again for a part of it.
class Search {
public:
    Search(Week const& week, SearchSettings const& settings, std::int64_t total)
        : week_{week}, settings_{settings}, total_{total}, random_{settings.seed}, choice_{week} {}

    Found run(Plan const* begin) {
        mend(total_ * first_share / 100, begin);
        choose_whole();
        mend(total_ * mend_share / 100, &found_.plan);
        now_ = found_.plan;
        now_price_ = found_.price;
        bool const has_parts = static_cast<std::size_t>(std::count_if(
                                   now_.routes.begin(), now_.routes.end(),
                                   [](auto const& route) { return !route.empty(); })) >= 2 * least_days;
        for (bool turn = false; found_.iterations < total_ && !found_.cut_short; turn = !turn) {
            if (turn || has_parts) {
                choose_part();
            } else {  // where a part is nearly the whole, to choose again is to choose the same
                mend(std::min(total_ - found_.iterations, total_ * again_share / 100), &found_.plan);
            }
        }
        found_.iterations = std::min(found_.iterations, total_);
        return std::move(found_);
    }

private:
    [[nodiscard]] std::int64_t work_of(std::int64_t rounds) const {
        return rounds * round_per_visit * static_cast<std::int64_t>(week_.visits.size());
    }
    [[nodiscard]] std::int64_t done() const {
        return found_.iterations + (choice_.spent() - accounted_) / work_of(1);
    }

    bool go_on() {
        if (settings_.go_on && !settings_.go_on({std::min(done(), total_), total_, found_.price})) {
            found_.cut_short = true;
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
        if (settings_.go_on) {
            settings.go_on = [&, before = found_.iterations](Progress const& progress) {
                auto const best =
                    found_.plan.routes.empty() ? progress.best : std::min(progress.best, found_.price);
                return settings_.go_on({before + progress.done, total_, best});
            };
        }
        auto mended = ruin(week_, settings, begin);
        found_.iterations += mended.iterations;
        found_.cut_short = mended.cut_short;
        if (found_.plan.routes.empty() || mended.price < found_.price) {
            found_.plan = std::move(mended.plan);
            found_.price = mended.price;
            choice_.offer(found_.plan);
        }
    }

    // Empty: it holds no longer, or the search is to end.
    std::optional<Price> price_of(std::optional<Plan> const& plan) {
        found_.iterations = std::max(done(), found_.iterations + least_rounds);
        accounted_ = choice_.spent();
        if (!plan) {
            return std::nullopt;
        }
        auto const judged = judge(week_, *plan);
        return judged.broken ? std::nullopt : std::optional{judged.price};
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
        auto const plan = choice_.choose(work_of(total_ * whole_share / 100), [this] { return go_on(); });
        if (auto const price = price_of(plan)) {
            keep_if_better(*plan, *price);
        }
    }

    void choose_part() {
        auto const left = work_of(total_ - found_.iterations);
        auto const plan = choice_.choose(now_, part(), left, [this] { return go_on(); });
        auto const price = price_of(plan);
        if (!price) {
            return;
        }
        double const cold = static_cast<double>(found_.iterations) / static_cast<double>(total_);
        double const heat = hot_visits * std::max(0.0, 1.0 - cold) * static_cast<double>(found_.price) /
                            static_cast<double>(week_.visits.size());
        if (static_cast<double>(*price - now_price_) < heat * random_.exponential()) {
            keep_if_better(*plan, *price);
            now_ = *plan;
            now_price_ = *price;
        }
    }

    // By shift, whether it is of the days around some visit.
    std::vector<char> part() {
        auto const centre = random_.below(static_cast<std::uint32_t>(week_.visits.size()));
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
        days.resize(std::min<std::size_t>(days.size(), least_days + random_.below(more_days)));
        std::vector<char> freed(week_.shifts.size(), 0);
        for (auto const& [far, s] : days) {
            freed[s] = 1;
        }
        return freed;
    }

    [[nodiscard]] std::int64_t far_between(std::size_t v, std::size_t u) const {
        auto const a = week_.visits[v].place, b = week_.visits[u].place;
        return std::int64_t{week_.way(a, b)} + week_.way(b, a);
    }

    Week const& week_;
    SearchSettings const& settings_;
    std::int64_t total_;
    Random random_;
    Choice choice_;
    std::int64_t accounted_ = 0;  // of the work of choice_, what is among found_.iterations
    Found found_;
    Plan now_;  // where the search is, perhaps worse than what it found
    Price now_price_ = 0;
};

}  // namespace

std::int64_t usual_iterations(std::size_t visits) {
    auto const n = std::max<std::int64_t>(1, static_cast<std::int64_t>(visits));
    // A round takes longer with more visits: more places to look at, and more days.
    return std::min(std::clamp<std::int64_t>(n * 1'000, 60'000, 200'000),
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

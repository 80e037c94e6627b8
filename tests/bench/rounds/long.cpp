#include "bench/rounds/long.h"

#include <spdlog/fmt/fmt.h>

#include <cstdio>
#include <ctime>
#include <limits>

#include "bench/rounds/known.h"
#include "rounds/instances.h"
#include "rounds/search.h"

namespace probekeeper::rounds {
namespace {

double processor_seconds() {
    return static_cast<double>(std::clock()) / CLOCKS_PER_SEC;
}

class Long {
public:
    Long(std::uint64_t seed, double seconds)
        : seed_{seed},
          until_{seconds},
          week_{made_week(seed, 200, 10, 2)},
          best_{read_known(known_file(seed), week_)} {
        price_ = best_ ? judge(week_, *best_).price : std::numeric_limits<Price>::max();
        tell("begins with", price_);
    }

    void run() {
        auto iterations = usual_iterations(week_.visits.size());
        for (std::uint64_t chance = 1; processor_seconds() < until_; ++chance) {
            bool const from_nothing = chance % 2 == 1;
            search_once(iterations, chance, from_nothing ? nullptr : &*best_);
            iterations *= from_nothing ? 1 : 2;
        }
    }

private:
    void tell(char const* what, Price price) const {
        fmt::print("{:>7.0f} s  seed {} {} {}\n", processor_seconds(), seed_, what, price);
        std::fflush(stdout);
    }

    void search_once(std::int64_t iterations, std::uint64_t chance, Plan const* begin) {
        SearchSettings settings;
        settings.iterations = iterations;
        settings.seed = chance;
        auto told = price_;
        settings.go_on = [&](Progress const& progress) {
            if (progress.best < told) {
                told = progress.best;
                tell("comes to", told);
            }
            return processor_seconds() < until_;
        };
        auto const found = search(week_, settings, begin);
        auto const judged = judge(week_, found.plan);
        tell(begin == nullptr ? "from nothing ends at" : "from the best ends at", judged.price);
        if (!judged.broken && judged.price < price_) {
            price_ = judged.price;
            best_ = found.plan;
            write_known(
                known_file(seed_), found.plan,
                fmt::format("price {}, after {:.0f} s of processor time", price_, processor_seconds()));
        }
    }

    std::uint64_t seed_;
    double until_;
    Week week_;
    std::optional<Plan> best_;
    Price price_;
};

}  // namespace

void search_long(std::uint64_t seed, double seconds) {
    Long{seed, seconds}.run();
}

}  // namespace probekeeper::rounds

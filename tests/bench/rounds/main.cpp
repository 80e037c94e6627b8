// How good the search of rounds is, and how fast: published instances with their optima, and weeks from a
// seed.
//
//   bench_rounds                       published instances, the seeded weeks, time, iterations and gap
//   bench_rounds long SEED SITES TECHNICIANS ITERATIONS    one seeded week, searched long: an own best known
#include <spdlog/fmt/fmt.h>
#include <sys/resource.h>

#include <chrono>
#include <cstdlib>
#include <cstring>

#include "rounds/exact.h"
#include "rounds/instances.h"
#include "rounds/search.h"

namespace {

using namespace probekeeper::rounds;

double seconds_since(std::chrono::steady_clock::time_point start) {
    return std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count();
}

long peak_kb() {
    rusage usage{};
    getrusage(RUSAGE_SELF, &usage);
    return usage.ru_maxrss;
}

Found show(std::string const& name, Week const& week, Price known, std::int64_t iterations = 0) {
    SearchSettings settings;
    settings.iterations = iterations;
    auto const start = std::chrono::steady_clock::now();
    auto found = search(week, settings);
    auto const took = seconds_since(start);
    auto const judged = judge(week, found.plan);
    auto const gap = known > 0 ? fmt::format("{:.2f} %", 100.0 * static_cast<double>(found.price - known) /
                                                             static_cast<double>(known))
                               : "-";
    fmt::print(
        "{:<28} price {:>10} known {:>10} gap {:>8} {:>7} iterations {:>6.2f} s, {} not made, {} kB{}\n",
        name, found.price, known, gap, found.iterations, took, judged.not_made.size(), peak_kb(),
        judged.broken ? " BROKEN: " + *judged.broken : "");
    std::fflush(stdout);
    return found;
}

void show_proof(std::string const& name, Week const& week, Plan const& plan) {
    auto const start = std::chrono::steady_clock::now();
    auto const proof = prove(week, plan);
    if (!proof) {
        fmt::print("{:<28} too large to prove ({:.2f} s)\n", name, seconds_since(start));
        return;
    }
    fmt::print("{:<28} {} at {}, bound {} in {:.2f} s\n", name, proof->optimal ? "proved" : "not proved",
               proof->price, proof->bound, seconds_since(start));
    std::fflush(stdout);
}

}  // namespace

int main(int argc, char** argv) {
    if (argc == 6 && std::strcmp(argv[1], "long") == 0) {
        auto const sites = std::atoi(argv[3]);
        auto const week = made_week(std::strtoull(argv[2], nullptr, 10), sites, std::atoi(argv[4]), 2);
        show(fmt::format("seed {} sites {}", argv[2], sites), week, 0, std::atoll(argv[5]));
        return 0;
    }
    auto const tour = [](std::string const& name, bool geographic, Price known, bool proof) {
        auto const week = tour_of(data("tsplib-" + name + ".csv"), geographic);
        auto const found = show(name, week, known);
        if (proof) {
            show_proof(name, week, found.plan);
        }
    };
    tour("burma14", true, 3323, true);
    tour("ulysses16", true, 6859, true);
    tour("berlin52", false, 7542, false);
    auto const c101 = solomon_of(data("solomon-c101-25.csv"), 10, 25);
    show_proof("C101, 25, truncated", c101, show("C101, 25, truncated", c101, 1913).plan);
    for (int const sites : {8, 12, 16, 20, 25}) {
        auto const week = made_week(static_cast<std::uint64_t>(sites), sites, 2, 1);
        show_proof(fmt::format("{} sites, 2 technicians", sites), week,
                   show(fmt::format("{} sites, 2 technicians", sites), week, 0).plan);
    }
    for (std::uint64_t const seed : {1001U, 1002U, 1003U}) {
        show(fmt::format("seed {}, 200 sites, 10 t.", seed), made_week(seed, 200, 10, 2), 0);
    }
    show("seed 1001, 500 sites, 10 t.", made_week(1001, 500, 10, 2), 0);
    return 0;
}

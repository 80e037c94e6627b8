// How good the search of rounds is, and how fast: published instances with their optima, and weeks from a
// seed.
//
//   bench_rounds                       published instances, the seeded weeks, time, iterations and gap
//   bench_rounds lp SITES TECHNICIANS  one of the small weeks for a solver: bench_rounds lp 8 2 > w.lp; cbc
//                                      w.lp solve
//   bench_rounds long SEED SECONDS     one seeded week, searched long: betters known/SEED.csv
//
// tickets.py beside this file times the whole way of a week of 500 tickets.
#include <spdlog/fmt/fmt.h>
#include <sys/resource.h>

#include <chrono>
#include <cstdlib>
#include <cstring>
#include <ctime>

#include "bench/rounds/known.h"
#include "bench/rounds/long.h"
#include "bench/rounds/lp.h"
#include "rounds/exact.h"
#include "rounds/instances.h"
#include "rounds/search.h"

namespace {

using namespace probekeeper::rounds;

// Of this process's processor time: the machine may have others.
double seconds_since(std::clock_t start) {
    return static_cast<double>(std::clock() - start) / CLOCKS_PER_SEC;
}

long peak_kb() {
    rusage usage{};
    getrusage(RUSAGE_SELF, &usage);
    return usage.ru_maxrss;
}

Found show(std::string const& name, Week const& week, Price known, std::int64_t iterations = 0) {
    SearchSettings settings;
    settings.iterations = iterations;
    auto const start = std::clock();
    auto const start_of_wall = std::chrono::steady_clock::now();
    auto found = search(week, settings);
    auto const took = seconds_since(start);
    std::chrono::duration<double> const wall = std::chrono::steady_clock::now() - start_of_wall;
    auto const judged = judge(week, found.plan);
    auto const gap = known > 0 ? fmt::format("{:.2f} %", 100.0 * static_cast<double>(found.price - known) /
                                                             static_cast<double>(known))
                               : "-";
    fmt::print(
        "{:<28} price {:>10} known {:>10} gap {:>8} {:>7} iterations {:>6.2f} s, {:.2f} s of wall time, {} "
        "not made, {} kB{}\n",
        name, found.price, known, gap, found.iterations, took, wall.count(), judged.not_made.size(),
        peak_kb(), judged.broken ? " BROKEN: " + *judged.broken : "");
    std::fflush(stdout);
    return found;
}

void show_proof(std::string const& name, Week const& week, Plan const& plan) {
    auto const start = std::clock();
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
    if (argc == 4 && std::strcmp(argv[1], "long") == 0) {
        search_long(std::strtoull(argv[2], nullptr, 10), std::atof(argv[3]));
        return 0;
    }
    if (argc == 4 && std::strcmp(argv[1], "lp") == 0) {
        auto const sites = std::atoi(argv[2]);
        fmt::print("{}", lp_of(made_week(static_cast<std::uint64_t>(sites), sites, std::atoi(argv[3]), 1)));
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
    for (std::uint64_t const seed : {1001U, 1002U, 1003U, 1004U, 1005U}) {
        auto const week = made_week(seed, 200, 10, 2);
        auto const known = read_known(known_file(seed), week);
        show(fmt::format("seed {}, 200 sites, 10 t.", seed), week, known ? judge(week, *known).price : 0);
    }
    show("seed 1001, 500 sites, 10 t.", made_week(1001, 500, 10, 2), 0);
    return 0;
}

// The judge: makes fleets by seed, and scores what a daemon made of them.
//   backtest make --seed 7 --fleet mixed --probes 10 --days 40 --out DIR
//   backtest score --truth DIR/truth.json --tickets DIR/tickets.jsonl --diagnosis DIR/diagnosis
#include <CLI/CLI.hpp>
#include <chrono>
#include <cstdio>
#include <exception>

#include "plan.h"
#include "simulate.h"

namespace {

namespace backtest = probekeeper::backtest;

struct MakeOptions {
    std::uint64_t seed = 1;
    std::string fleet = "mixed";
    int probes = 10;
    double days = 40.0;
    std::filesystem::path out;
};

void make(MakeOptions const& o) {
    auto const began = std::chrono::steady_clock::now();
    auto const plan = backtest::plan_fleet(o.seed, o.fleet, o.probes, o.days);
    auto const rows = backtest::simulate(plan, o.out);
    backtest::write_truth(o.out / "truth.json", backtest::truth_of(plan, o.fleet, o.seed));
    std::chrono::duration<double> const took = std::chrono::steady_clock::now() - began;
    std::printf("%s seed %llu: %zu rows of %zu probes in %.1f s\n", o.fleet.c_str(),
                static_cast<unsigned long long>(o.seed), rows, plan.probes.size(), took.count());
}

}  // namespace

int main(int argc, char** argv) {
    CLI::App app{"Makes simulated fleets and scores diagnoses of them"};
    app.require_subcommand(1);
    MakeOptions options;
    auto* const make_verb = app.add_subcommand("make", "readings, service records, configuration and truth");
    make_verb->add_option("--seed", options.seed);
    make_verb->add_option("--fleet", options.fleet, "intermittent, continuous, fish, pond or mixed");
    make_verb->add_option("--probes", options.probes)->check(CLI::Range(1, 1000));
    make_verb->add_option("--days", options.days)->check(CLI::Range(6.0, 4000.0));
    make_verb->add_option("--out", options.out)->required();
    CLI11_PARSE(app, argc, argv);
    try {
        make(options);
        return 0;
    } catch (std::exception const& e) {
        std::fprintf(stderr, "backtest: %s\n", e.what());
        return 1;
    }
}

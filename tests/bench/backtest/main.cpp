// The judge: makes fleets by seed, and scores what a daemon made of them.
//   backtest make --seed 7 --fleet mixed --probes 10 --days 40 --out DIR
//   backtest score --truth DIR/truth.json --tickets DIR/tickets.jsonl --diagnosis DIR/diagnosis
//   backtest score DIR...      of folders that hold all three, summed up
#include <CLI/CLI.hpp>
#include <chrono>
#include <cstdio>
#include <exception>
#include <fstream>
#include <stdexcept>

#include "plan.h"
#include "report.h"
#include "services.h"
#include "simulate.h"

namespace {

namespace backtest = probekeeper::backtest;
using Path = std::filesystem::path;

struct MakeOptions {
    std::uint64_t seed = 1;
    std::string fleet = "mixed";
    int probes = 10;
    double days = 40.0;
    bool services = false;
    Path out;
};

struct ScoreOptions {
    Path truth, tickets, diagnosis, json;
    std::vector<Path> folders;
};

void make(MakeOptions const& o) {
    auto const began = std::chrono::steady_clock::now();
    auto plan = backtest::plan_fleet(o.seed, o.fleet, o.probes, o.days);
    if (o.services) {
        backtest::give_services(plan, o.seed);
    }
    auto const lived = backtest::simulate(plan, o.out);
    backtest::write_truth(o.out / "truth.json", backtest::truth_of(plan, lived, o.fleet, o.seed));
    std::chrono::duration<double> const took = std::chrono::steady_clock::now() - began;
    std::printf("%s seed %llu: %zu rows of %zu probes in %.1f s\n", o.fleet.c_str(),
                static_cast<unsigned long long>(o.seed), lived.rows, plan.probes.size(), took.count());
}

backtest::Score score_one(Path const& truth, Path const& tickets, std::optional<Path> const& diagnosis) {
    return backtest::score(backtest::read_truth(truth), backtest::read_said(tickets, diagnosis));
}

void score(ScoreOptions const& o) {
    backtest::Score total;
    if (!o.truth.empty()) {
        total.add(
            score_one(o.truth, o.tickets, o.diagnosis.empty() ? std::nullopt : std::optional{o.diagnosis}));
    }
    for (auto const& folder : o.folders) {
        total.add(score_one(folder / "truth.json", folder / "tickets.jsonl", folder / "diagnosis"));
    }
    auto const lines = backtest::json_lines(total);
    if (o.json.empty()) {
        std::printf("%s\n", lines.c_str());
    } else if (!(std::ofstream{o.json} << lines << std::flush)) {
        throw std::runtime_error("cannot write " + o.json.string());
    }
    std::printf("%s", backtest::tables(total).c_str());
}

}  // namespace

int main(int argc, char** argv) {
    CLI::App app{"Makes simulated fleets and scores diagnoses of them"};
    app.require_subcommand(1);

    MakeOptions making;
    auto* const make_verb = app.add_subcommand("make", "readings, service records, configuration and truth");
    make_verb->add_option("--seed", making.seed);
    make_verb->add_option("--fleet", making.fleet, "intermittent, continuous, fish, pond or mixed");
    make_verb->add_option("--probes", making.probes)->check(CLI::Range(1, 1000));
    make_verb->add_option("--days", making.days)->check(CLI::Range(6.0, 4000.0));
    make_verb->add_flag("--services", making.services, "good and botched services in place of faults");
    make_verb->add_option("--out", making.out)->required();

    ScoreOptions scoring;
    auto* const score_verb =
        app.add_subcommand("score", "recall, false tickets and errors, as JSON and tables");
    auto* const truth = score_verb->add_option("--truth", scoring.truth);
    auto* const tickets = score_verb->add_option("--tickets", scoring.tickets);
    truth->needs(tickets);
    tickets->needs(truth);
    score_verb->add_option("--diagnosis", scoring.diagnosis);
    score_verb->add_option("--json", scoring.json, "the JSON lines into this file instead of stdout");
    score_verb->add_option("folders", scoring.folders, "each with truth.json, tickets.jsonl and diagnosis/");

    CLI11_PARSE(app, argc, argv);
    try {
        make_verb->parsed() ? make(making) : score(scoring);
        return 0;
    } catch (std::invalid_argument const& e) {
        std::fprintf(stderr, "backtest: %s\n", e.what());
        return 2;
    } catch (std::exception const& e) {
        std::fprintf(stderr, "backtest: %s\n", e.what());
        return 1;
    }
}

// The command line: what each verb takes. What it does is in the file of its name.
#include <CLI/CLI.hpp>

#include "daemon/exit_codes.h"
#include "daemon/log.h"
#include "daemon/verbs.h"

namespace probekeeper::daemon {
namespace {

int run_command_line(int argc, char** argv) {
    CLI::App app{
        "Probekeeper watches dissolved-oxygen probes and says which one needs service, why and by when.\n"
        "It is not a life-support or safety alarm."};
    app.set_version_flag("--version", "probekeeperd " PROBEKEEPER_VERSION);
    app.require_subcommand(1);
    app.fallthrough();
    bool verbose = false;
    app.add_flag("-v,--verbose", verbose, "Log details to stderr");

    std::filesystem::path config;
    auto const verb = [&](std::string const& name, std::string const& does) {
        auto* const command = app.add_subcommand(name, does);
        command->add_option("--config", config, "The configuration (TOML)")->required();
        return command;
    };

    auto* const run_verb =
        verb("run", "The daemon, in the foreground; SIGTERM and SIGINT stop it, SIGHUP reloads");
    auto* const hub_verb =
        verb("hub", "A hub of many daemons, in the foreground: the API of all sites, out of PostgreSQL");
    auto* const check_verb = verb("check", "Read the configuration and print every problem of it");

    auto* const loop_verb = verb("loop-check", "Read each probe once over Modbus and print what came");
    std::optional<std::string> probe;
    loop_verb->add_option("--probe", probe, "Only this probe");

    auto* const backup_verb = verb("backup", "A consistent copy of the store, also while the daemon runs");
    std::filesystem::path to;
    backup_verb->add_option("--to", to, "The file to write")->required();

    auto* const round_verb =
        verb("round", "The week's round out of the store: JSON, a sheet to print, a calendar and a form");
    RoundRequest round_request;
    round_verb->add_option("--week", round_request.week, "Such as 2026-W49")->required();
    round_verb->add_option("--to", round_request.to, "The folder to write to")->required();
    round_verb->add_option("--at", round_request.at, "Plan as if it were this time");
    round_verb->add_option("--limit-seconds", round_request.limit_s, "Search at most so long")
        ->check(CLI::Range(0.1, 3600.0))
        ->capture_default_str();

    round_verb->add_flag("--publish", round_request.publish,
                         "Fix it: later runs with the same folder change it little");
    round_verb->add_flag("--replan", round_request.replan, "Start over, also where it is published");
    auto* const token_verb = app.add_subcommand("token", "Who may use the API: add, list or revoke a token");
    token_verb->require_subcommand(1);
    TokenRequest token_request;
    auto const token_step = [&](std::string const& name, std::string const& does) {
        auto* const command = token_verb->add_subcommand(name, does);
        command->add_option("--config", config, "The configuration (TOML)")->required();
        return command;
    };
    auto* const add_verb = token_step("add", "Make a token, show it once, keep its hash");
    add_verb->add_option("NAME", token_request.name, "What it is for")->required();
    add_verb->add_option("--role", token_request.role, "read, operate or admin")->required();
    add_verb->add_option("--site", token_request.sites, "Only this site; may stand several times");
    token_step("list", "Names, roles and sites; never a token");
    auto* const revoke_verb = token_step("revoke", "End a token");
    revoke_verb->add_option("NAME", token_request.name, "Which one")->required();

    auto* const replay_verb = verb("replay", "Run recorded readings through the same pipeline as live ones");
    replay::Request request;
    replay_verb->add_option("--readings", request.readings, "CSV of readings")->required();
    replay_verb->add_option("--service", request.service, "CSV of service records");
    replay_verb->add_option("--store", request.store, "Keep readings and results in this store");
    replay_verb->add_option("--tickets", request.tickets, "Write all tickets to this file, JSON lines");
    replay_verb->add_option("--diagnosis", request.diagnosis,
                            "Write PROBE.json of each probe to this folder");
    replay_verb->add_option("--max-bad-rows", request.max_bad_rows, "Stop beyond so many bad rows")
        ->capture_default_str();

    try {
        app.parse(argc, argv);
    } catch (CLI::ParseError const& error) {
        bool const asked_for_help = error.get_exit_code() == 0;
        app.exit(error);
        return asked_for_help ? done : wrong;
    }
    auto const log = make_log(verbose);
    if (run_verb->parsed()) {
        return run(config, log);
    }
    if (hub_verb->parsed()) {
        return hub(config, log);
    }
    if (check_verb->parsed()) {
        return check(config);
    }
    if (loop_verb->parsed()) {
        return loop_check(config, probe);
    }
    if (token_verb->parsed()) {
        using Verb = TokenRequest::Verb;
        token_request.verb = add_verb->parsed()      ? Verb::add
                             : revoke_verb->parsed() ? Verb::revoke
                                                     : Verb::list;
        return token(config, token_request);
    }
    if (backup_verb->parsed()) {
        return backup(config, to);
    }
    if (round_verb->parsed()) {
        return round(config, round_request);
    }
    return replay_recorded(config, request, log);
}

}  // namespace
}  // namespace probekeeper::daemon

int main(int argc, char** argv) {
    try {
        return probekeeper::daemon::run_command_line(argc, argv);
    } catch (std::exception const& error) {
        static_cast<void>(std::fprintf(stderr, "%s\n", error.what()));
        return probekeeper::daemon::failed;
    }
}

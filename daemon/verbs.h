// The verbs of the command line. Each takes its options, does its work and gives the exit code. Results go to
// stdout, logs and progress to stderr.
#pragma once

#include <spdlog/logger.h>

#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "replay/replay.h"

namespace probekeeper::daemon {

using Log = std::shared_ptr<spdlog::logger>;

struct TokenRequest {
    enum class Verb { add, list, revoke };
    Verb verb = Verb::list;
    std::string name, role;
    std::vector<std::string> sites;
};

int run(std::filesystem::path const& config, Log const& log);
int hub(std::filesystem::path const& config, Log const& log);
int check(std::filesystem::path const& config);
int loop_check(std::filesystem::path const& config, std::optional<std::string> const& probe);
int backup(std::filesystem::path const& config, std::filesystem::path const& to);

struct RoundRequest {
    std::string week;               // "2026-W49"
    std::filesystem::path to;       // a folder that is there
    std::optional<std::string> at;  // as if it were now
    double limit_s = 60.0;          // for the search; then the best so far
    bool publish = false;           // fix it: later tickets change it as little as possible
    bool replan = false;            // start over, published or not
};
int round(std::filesystem::path const& config, RoundRequest const& request);
int token(std::filesystem::path const& config, TokenRequest const& request);
int replay_recorded(std::filesystem::path const& config, replay::Request const& request, Log const& log);

}  // namespace probekeeper::daemon

// The verbs of the command line. Each takes its options, does its work and gives the exit code. Results go to
// stdout, logs and progress to stderr.
#pragma once

#include <spdlog/logger.h>

#include <filesystem>
#include <memory>
#include <optional>
#include <string>

#include "replay/replay.h"

namespace probekeeper::daemon {

using Log = std::shared_ptr<spdlog::logger>;

int run(std::filesystem::path const& config, Log const& log);
int check(std::filesystem::path const& config);
int loop_check(std::filesystem::path const& config, std::optional<std::string> const& probe);
int backup(std::filesystem::path const& config, std::filesystem::path const& to);
int replay_recorded(std::filesystem::path const& config, replay::Request const& request, Log const& log);

}  // namespace probekeeper::daemon

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

int check(std::filesystem::path const& config);
int replay_recorded(std::filesystem::path const& config, replay::Request const& request, Log const& log);

}  // namespace probekeeper::daemon

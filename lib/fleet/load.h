// Reads the TOML configuration. Every problem is found in one pass and told with file, line and what would be
// right; nothing is half loaded.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "fleet/fleet.h"
#include "fleet/notice.h"

namespace probekeeper::fleet {

struct Problem {
    std::filesystem::path file;  // as named on the command line or by an include
    int line = 0;                // 1-based; 0 where the file as a whole is meant
    std::string message;
};

struct Loaded {
    std::optional<Fleet> fleet;  // set if and only if there is no problem
    std::vector<NoticeSettings>
        notices;                    // who is told of what; by id, and of no use where there is a problem
    std::vector<Problem> problems;  // by file in reading order, then by line
    // As [http] names it, known even where there are problems: what makes that file begins with a
    // configuration that misses it.
    std::optional<std::filesystem::path> tokens_file;
};

// `file` and what it includes. Relative paths in a file are made relative to that file's folder.
[[nodiscard]] Loaded load(std::filesystem::path const& file);

// "FILE:LINE: message"
[[nodiscard]] std::string to_line(Problem const& problem);

}  // namespace probekeeper::fleet

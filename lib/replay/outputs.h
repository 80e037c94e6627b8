// The files that a replay leaves: written beside their place and moved there whole, but into a device or a
// pipe as it is.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "service/ticket.h"

namespace probekeeper::replay {

// A folder for results. Whatever of it and of the folders above it had to be made is taken away again, unless
// the run ends well; folders that meanwhile hold something else stay.
class OutputFolder {
public:
    // Throws std::filesystem::filesystem_error where it cannot be made.
    explicit OutputFolder(std::filesystem::path const& folder);
    ~OutputFolder();
    OutputFolder(OutputFolder const&) = delete;
    OutputFolder& operator=(OutputFolder const&) = delete;
    void keep() { made_.clear(); }

private:
    std::vector<std::filesystem::path> made_;  // outermost first
};

// One ticket a line, by time of opening, then id.
void write_tickets(std::filesystem::path const& file, std::vector<service::Ticket> tickets);
// `text` and a line end. Throws std::runtime_error that names the file.
void write_file(std::filesystem::path const& file, std::string const& text);

}  // namespace probekeeper::replay

// The files that a replay leaves: written beside their place and moved there whole.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "service/ticket.h"

namespace probekeeper::replay {

// One ticket a line, by time of opening, then id.
void write_tickets(std::filesystem::path const& file, std::vector<service::Ticket> tickets);
// `text` and a line end. Throws std::runtime_error that names the file.
void write_file(std::filesystem::path const& file, std::string const& text);

}  // namespace probekeeper::replay

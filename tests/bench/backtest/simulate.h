// Lives through a planned fleet and writes what a plant would have: readings.csv, service.csv, config.toml;
// and what only the physics knows: truth.json.
#pragma once

#include <cstdint>
#include <filesystem>

#include "plan.h"

namespace probekeeper::backtest {

// Into `folder`, which is made. Returns the number of rows of readings. Throws std::runtime_error or
// std::filesystem::filesystem_error where a file cannot be written.
std::size_t simulate(FleetPlan const& plan, std::filesystem::path const& folder);

void write_config(FleetPlan const& plan, std::filesystem::path const& file);

// `plan` and its seed as the document that score reads.
[[nodiscard]] FleetTruth truth_of(FleetPlan const& plan, std::string const& fleet, std::uint64_t seed);

}  // namespace probekeeper::backtest

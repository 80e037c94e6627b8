// Lives through a planned fleet and writes what a plant would have: readings.csv, service.csv, config.toml;
// and what only the physics knows: truth.json.
#pragma once

#include <cstdint>
#include <filesystem>

#include "plan.h"

namespace probekeeper::backtest {

// When the readings of one probe could show something: days of the run.
struct Evidence {
    std::vector<double> tests = {};   // a blast ended, or the air went off over water with oxygen
    std::vector<double> floors = {};  // the water had been without oxygen for five minutes
    std::vector<double> zeros = {};   // a dry zero was written down as above its limit
    // A person wrote down two readings that are further apart than allowed.
    std::vector<double> disagreements = {};
    bool stuck_at_zero = false;  // the output froze at a zero: so does a cell without a signal read
};

// An output of mg/L that rounds so, to two places at the most, is written down as a zero.
[[nodiscard]] bool written_as_zero(double mg_l, double resolution_mg_l);

struct Lived {
    std::size_t rows = 0;
    std::vector<Evidence> evidence;  // as FleetPlan::probes
};

// Writes readings, service records and configuration into `folder`, which is made. Throws std::runtime_error
// or std::filesystem::filesystem_error where a file cannot be written.
[[nodiscard]] Lived simulate(FleetPlan const& plan, std::filesystem::path const& folder);

void write_config(FleetPlan const& plan, std::filesystem::path const& file);

// The document that score reads. A fault is visible from the second piece of evidence after its crossing on:
// one test is no proof, and a tank that is never anoxic hides a background.
[[nodiscard]] FleetTruth truth_of(FleetPlan const& plan, Lived const& lived, std::string const& fleet,
                                  std::uint64_t seed);

}  // namespace probekeeper::backtest

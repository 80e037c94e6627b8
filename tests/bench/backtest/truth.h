// What was really the matter with each probe: written beside the readings, read by the scoring.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "base/time.h"

namespace probekeeper::backtest {

// What shows a fault: every reading or a record of a visit, response tests, anoxic floors, or dry zeros.
enum class SeenIn { readings, tests, floors, zeros };

struct Fault {
    std::string kind;                    // what was done to the probe: "coating", "film", "pierced", ...
    std::vector<std::string> named_by;   // reasons that name it, any of them
    std::vector<std::string> also_true;  // reasons that are no mistake beside it
    Timestamp crossing{};                // the limit is passed, as the physics knows; may be after the run
    Timestamp visible{};                 // from then on the readings and records can show it
    SeenIn seen_in = SeenIn::readings;   // known while a fleet is made; not written
};

// What a visit was worth: see services.h for the kinds.
struct ServiceTruth {
    Timestamp at{};
    std::string kind;
    bool good = false;
};

// The state of a probe at one time.
struct TrueState {
    Timestamp at{};
    double t90_20_s = 0.0;
    double background_mg_l = 0.0;
};

struct ProbeTruth {
    std::string id, fleet;  // the kind of water
    double poll_s = 10.0;
    bool testable = true;  // its readings contain response tests; else verification_due is right
    double t90_limit_ratio = 2.0, fresh_t90_20_s = 0.0, configured_t90_s = 0.0;
    std::vector<TrueState> course;  // twice a day and at the end, by time
    std::vector<Fault> faults;      // none: clean
    std::vector<std::string> confusers;
    std::optional<ServiceTruth> service = std::nullopt;  // of fleets that are made with services
};

struct FleetTruth {
    std::string fleet;
    std::uint64_t seed = 0;
    Timestamp start{}, end{};
    std::vector<ProbeTruth> probes;
};

void write_truth(std::filesystem::path const& file, FleetTruth const& truth);
// Throws std::runtime_error where the file is not such a document.
[[nodiscard]] FleetTruth read_truth(std::filesystem::path const& file);

}  // namespace probekeeper::backtest

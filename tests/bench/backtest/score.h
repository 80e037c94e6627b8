// Compares what a daemon said of a fleet with the truth. Pure: values in, values out.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "said.h"
#include "truth.h"

namespace probekeeper::backtest {

// A fault is due to be named within three days after it can be seen; a forecast of slow_response may come two
// weeks early, any other reason two days (its own crossing is known to no better than that).
inline constexpr double named_within_days = 3.0;
inline constexpr double forecast_early_days = 14.0;
inline constexpr double other_early_days = 2.0;

enum class Outcome {
    named,   // in time
    late,    // named, but after the three days
    missed,  // never named
    not_due  // its three days end after the run
};

struct FaultScore {
    std::string fleet, probe, reason, kind;  // reason: the first that names the fault
    Outcome outcome = Outcome::missed;
    Timestamp visible{};
    std::optional<double> delay_days;  // of the naming after `visible`; negative where early
};

enum class Mistake {
    false_alarm,  // on a clean probe, or before anything was wrong with it
    wrong_reason  // on a probe with another fault
};

struct MistakeScore {
    std::string fleet, probe, ticket, code, text;
    Mistake mistake = Mistake::false_alarm;
    Timestamp raised_at{};
    std::vector<std::string> confusers;
};

// One estimate beside the truth at its own time.
struct Estimate {
    std::string fleet, probe;
    double value = 0.0, low = 0.0, high = 0.0, truth = 0.0;
    [[nodiscard]] bool covered() const { return low <= truth && truth <= high; }
};

struct ForecastScore {
    std::string fleet, probe;
    bool covered = false;
    double error_days = 0.0;  // of the due day; positive where it says too late
};

// What came of a service on a ticket within proved_within_days.
inline constexpr double proved_within_days = 8.0;
struct ServiceScore {
    std::string fleet, probe, kind;
    bool good = false;
    bool ticketed = false;  // an unfinished ticket was there to be proved
    bool verified = false, reopened = false;
    int opened_by_handling = 0;  // tickets opened within a day of a good service
    [[nodiscard]] bool right() const { return good ? verified && !reopened : reopened; }
};

struct Score {
    std::vector<ServiceScore> services;
    std::vector<FaultScore> faults;
    std::vector<MistakeScore> mistakes;
    std::vector<Estimate> t90, background;
    std::vector<ForecastScore> forecasts;
    // Per kind of water: time on probes with nothing wrong, and reasons raised that count for or against.
    struct Exposure {
        std::string fleet;
        double clean_years = 0.0;
    };
    std::vector<Exposure> exposures;  // one a probe
    int reasons_raised = 0;

    void add(Score const& other);
};

[[nodiscard]] Score score(FleetTruth const& truth, Said const& said);

}  // namespace probekeeper::backtest

// What a simulated fleet is and what will befall it, drawn from a seed before anything is simulated: sites,
// tanks, probes, their faults, and the healthy things that look like faults.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "base/time.h"
#include "physics/ageing.h"
#include "physics/cleaning.h"
#include "physics/probe.h"
#include "physics/transmitter.h"
#include "physics/water.h"
#include "truth.h"

namespace probekeeper::backtest {

// From one day of the run to another; days count from the first reading.
struct Span {
    double from_day = 0.0, to_day = 0.0;
    [[nodiscard]] bool covers(double day) const { return day >= from_day && day < to_day; }
};

struct TankEvent {
    Span when;
    physics::Influence influence;
    std::string name;
};

struct TankPlan {
    std::size_t site = 0;
    physics::TankSettings settings;
    std::uint64_t seed = 0;
    std::vector<TankEvent> events;
};

struct SitePlan {
    std::string id;
    bool wastewater = false;
    double altitude_m = 0.0, mean_pressure_hpa = 1013.25;
    bool gives_pressure = false, gives_aeration = true, gives_hold = false, gives_airflow = false;
    std::vector<Span> outages;          // no power: no air and no rows
    std::vector<Span> aeration_unread;  // the bit is an empty cell
    std::vector<Span> aeration_wrong;   // the bit says on, whatever the blower does
};

enum class VisitKind { membrane_change, membrane_wipe, reference_check, dry_zero };

struct Visit {
    double day = 0.0;
    VisitKind kind = VisitKind::reference_check;
    std::optional<bool> calibrated = std::nullopt;  // of a membrane change; none: by chance
    bool elsewhere = false;                         // written down for this probe, done at another
};

// One membrane: from the day it was put on.
struct Life {
    double from_day = 0.0;
    physics::Ageing ageing;
    double fresh_factor = 1.0;  // its fresh T90 over the probe's usual one
};

struct ProbePlan {
    std::size_t site = 0, tank = 0;
    std::uint64_t seed = 0;
    physics::ProbeSettings probe;
    physics::TransmitterSettings transmitter;
    std::optional<physics::CleanerSettings> cleaner;
    bool gives_cleaning = true, gives_temperature = true;
    std::string use = "monitor";
    double configured_t90_s = 40.0;
    std::vector<Life> lives;    // the first begins before the run
    std::vector<Visit> visits;  // by day
    std::vector<std::string> neighbours;
    std::optional<Span> silent;
    std::optional<double> temperature_broken_on_day;
    std::vector<Span> late_rows;  // held back and sent in bursts, less than five minutes late
    bool doubled_rows = false;
    ProbeTruth truth;  // the simulation adds what only it can know
};

struct FleetPlan {
    Timestamp start{};
    double days = 40.0;
    bool in_percent = false;  // the DO column is do_percent
    std::vector<SitePlan> sites;
    std::vector<TankPlan> tanks;
    std::vector<ProbePlan> probes;  // by id
};

// `fleet`: "intermittent", "continuous", "fish", "pond" or "mixed" (throws std::invalid_argument on another).
// About half of the probes get a fault that passes its limit inside the run, not in its first ten days (or
// first third) and not in its last four.
[[nodiscard]] FleetPlan plan_fleet(std::uint64_t seed, std::string const& fleet, int probes, double days);

}  // namespace probekeeper::backtest

// What there is at the two sites of the demonstration, and what befalls each probe: the only place where the
// scenario is written down. README.md tells it in words; config/estate.toml tells the daemon where to ask.
#pragma once

#include <string_view>
#include <vector>

#include "physics/ageing.h"
#include "physics/cleaning.h"
#include "physics/probe.h"
#include "physics/transmitter.h"
#include "physics/water.h"

namespace probekeeper::estate {

enum class Line { quernbeck_gateway, quernbeck_serial, ormsheld_gateway };

// How a device lays out its registers; config/estate.toml has a register map for each.
enum class Registers {
    two_floats,      // float32 ABCD in holding registers, mg/L; bits in discrete inputs
    swapped_floats,  // float32 CDAB in input registers, %sat, with salinity and pressure; bits in coils
    scaled_words     // int16 in input registers, 0.01 mg/L and 0.1 degC; bits in a status register
};

struct TankPlan {
    std::string_view name;
    physics::TankSettings settings;
    // A diffuser that fouls slowly: part of its kLa lost by day 60. It must not look like a slow probe.
    double diffuser_lost_by_day_60 = 0.0;
};

struct ProbePlan {
    std::string_view id;
    std::size_t tank = 0;  // place in Plan::tanks
    Line line = Line::quernbeck_gateway;
    int unit = 1;
    Registers registers = Registers::two_floats;
    physics::ProbeSettings probe;
    physics::TransmitterSettings transmitter;
    physics::CleanerSettings cleaner;
    physics::Wear found;        // until the technician's visit
    physics::Ageing ageing;     // from the new membrane on
    double visit_h = 32.0;      // from midnight (UTC) before the history begins to the technician's arrival
    double fresh_factor = 1.0;  // of the new membrane's T90
    double uncalibrated_span = 1.0;  // of the new membrane, until the technician sets it to 100 % in air
};

struct Plan {
    std::vector<TankPlan> tanks;
    std::vector<ProbePlan> probes;
};

// Two sites, fourteen probes. `start_day_of_year` is where in the year, as physics counts, the estate begins.
[[nodiscard]] Plan plan(double start_day_of_year);

}  // namespace probekeeper::estate

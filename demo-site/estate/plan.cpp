#include "estate/plan.h"

namespace probekeeper::estate {
namespace {

using physics::TankSettings;
using physics::WaterKind;

// Figures of waters and probes are common practice, no source; the scenario is our own invention.

TankSettings activated_sludge_lane(double start) {
    TankSettings s;
    s.kind = WaterKind::intermittent;
    s.start_day_of_year = start;
    s.mean_temperature_c = 15.0;
    s.season_swing_c = 4.0;
    s.kla_per_h = 9.0;
    s.kla_idle_per_h = 0.02;
    s.uptake_mg_l_h = 40.0;
    s.half_saturation_mg_l = 0.15;
    s.on_min = 35.0;
    s.off_min = 40.0;
    s.setpoint_mg_l = 2.5;
    return s;
}

TankSettings steady_lane(double start) {
    auto s = activated_sludge_lane(start);
    s.kind = WaterKind::continuous;
    s.setpoint_mg_l = 2.0;
    s.pauses = true;
    s.on_min = 210.0;
    s.off_min = 30.0;
    return s;
}

TankSettings hatchery_tank(double start, double uptake_mg_l_h) {
    TankSettings s;
    s.kind = WaterKind::fish;
    s.start_day_of_year = start;
    s.salinity_psu = 33.0;
    s.mean_temperature_c = 13.0;
    s.season_swing_c = 2.0;
    s.kla_per_h = 3.5;
    s.kla_idle_per_h = 0.1;
    s.uptake_mg_l_h = uptake_mg_l_h;
    s.half_saturation_mg_l = 1.0;
    s.load_day_swing = 0.15;
    s.on_below_percent = 76.0;
    s.off_above_percent = 92.0;
    s.feedings_per_day = 3.0;
    s.feeding_rise = 0.5;
    s.aerator_dead_s = 2.0;
    s.aerator_run_s = 4.0;
    return s;
}

TankSettings rearing_pond(double start) {
    TankSettings s;
    s.kind = WaterKind::pond;
    s.start_day_of_year = start;
    s.mean_temperature_c = 16.0;
    s.season_swing_c = 5.0;
    s.day_swing_c = 1.2;
    s.kla_per_h = 0.9;
    s.kla_idle_per_h = 0.1;
    s.uptake_mg_l_h = 0.5;
    s.half_saturation_mg_l = 0.5;
    s.load_day_swing = 0.1;
    s.photosynthesis_mg_l_h = 1.6;
    s.on_below_percent = 55.0;
    s.off_above_percent = 78.0;
    s.feedings_per_day = 1.0;
    s.feeding_rise = 0.3;
    s.aerator_dead_s = 1.0;
    s.aerator_run_s = 2.0;
    s.movement_mg_l = 0.03;
    return s;
}

// Places in Plan::tanks.
enum : std::size_t { lane_1, lane_2, lane_3, lane_4, final_lane, tank_1, tank_2, tank_3, pond };

std::vector<TankPlan> tanks(double start) {
    auto fast_fish = hatchery_tank(start, 3.0);
    fast_fish.feedings_per_day = 4.0;
    auto last_lane = steady_lane(start);
    last_lane.uptake_mg_l_h = 30.0;
    return {{"lane-1", activated_sludge_lane(start)},
            {"lane-2", activated_sludge_lane(start)},
            {"lane-3", steady_lane(start), /*diffuser_lost_by_day_60=*/0.35},
            {"lane-4", activated_sludge_lane(start)},
            {"final-lane", last_lane},
            {"tank-1", hatchery_tank(start, 2.6)},
            {"tank-2", hatchery_tank(start, 2.2)},
            {"tank-3", fast_fish},
            {"pond", rearing_pond(start)}};
}

// A fresh probe in ordinary service, as most here are; the scenario changes what it must.
ProbePlan ordinary(std::string_view id, std::size_t tank, Line line, int unit, Registers registers) {
    ProbePlan p;
    p.id = id;
    p.tank = tank;
    p.line = line;
    p.unit = unit;
    p.registers = registers;
    p.probe.t90_fresh_20_s = 40.0;
    p.cleaner = {.every_h = 4.0, .blast_s = 90.0};
    p.found = {.coating = 1.5, .background_mg_l = 0.02, .span = 0.97};
    // Every anode coats a little.
    p.ageing.coating = 0.15;
    p.ageing.coating_growth = {.from_day = 5.0, .over_days = 60.0};
    p.uncalibrated_span = 1.03;
    return p;
}

ProbePlan coating_over(ProbePlan p, double added, physics::Growth growth) {
    p.ageing.coating = added;
    p.ageing.coating_growth = growth;
    return p;
}

ProbePlan with_residue(ProbePlan p, double mg_l, physics::Growth growth) {
    p.ageing.background_mg_l = mg_l;
    p.ageing.background_growth = growth;
    return p;
}

ProbePlan wrinkling(ProbePlan p, double rms, physics::Growth growth) {
    p.ageing.wrinkle = rms;
    p.ageing.wrinkle_growth = growth;
    return p;
}

void add_quernbeck(std::vector<ProbePlan>& probes) {
    auto const at_gateway = [](std::string_view id, std::size_t tank, int unit) {
        return ordinary(id, tank, Line::quernbeck_gateway, unit, Registers::two_floats);
    };
    auto const on_serial = [](std::string_view id, std::size_t tank, int unit) {
        return ordinary(id, tank, Line::quernbeck_serial, unit, Registers::scaled_words);
    };
    probes.push_back(at_gateway("quernbeck-lane-1-inlet", lane_1, 1));
    probes.push_back(with_residue(at_gateway("quernbeck-lane-1-outlet", lane_1, 2), 0.5,
                                  {.from_day = 8.0, .over_days = 40.0}));
    probes.push_back(coating_over(at_gateway("quernbeck-lane-2-inlet", lane_2, 3), 1.8,
                                  {.from_day = 4.0, .over_days = 55.0, .power = 1.3}));
    probes.push_back(at_gateway("quernbeck-lane-2-outlet", lane_2, 4));
    probes.push_back(at_gateway("quernbeck-lane-3", lane_3, 5));
    probes.push_back(on_serial("quernbeck-lane-4-inlet", lane_4, 11));
    probes.push_back(wrinkling(on_serial("quernbeck-lane-4-outlet", lane_4, 12), 0.05,
                               {.from_day = 22.0, .over_days = 25.0}));
    probes.push_back(on_serial("quernbeck-final-lane", final_lane, 13));
}

void add_ormsheld(std::vector<ProbePlan>& probes) {
    auto const in_tank = [](std::string_view id, std::size_t tank, int unit) {
        auto p = ordinary(id, tank, Line::ormsheld_gateway, unit, Registers::swapped_floats);
        p.probe.t90_fresh_20_s = 55.0;
        p.cleaner = {.every_h = 8.0, .blast_s = 90.0};
        return p;
    };
    probes.push_back(in_tank("ormsheld-tank-1-a", tank_1, 1));
    probes.push_back(
        wrinkling(in_tank("ormsheld-tank-1-b", tank_1, 2), 0.012, {.from_day = 30.0, .over_days = 20.0}));
    // At twice its fresh T90 some nine days after the history ends: a forecast, if the daemon sees it coming.
    probes.push_back(coating_over(in_tank("ormsheld-tank-2-a", tank_2, 3), 0.9,
                                  {.from_day = 5.0, .over_days = 58.0, .power = 1.6}));
    probes.push_back(in_tank("ormsheld-tank-2-b", tank_2, 4));
    probes.push_back(in_tank("ormsheld-tank-3", tank_3, 5));
    auto in_pond = ordinary("ormsheld-pond", pond, Line::ormsheld_gateway, 6, Registers::scaled_words);
    in_pond.cleaner = {.every_h = 6.0, .blast_s = 90.0};
    probes.push_back(in_pond);
}

// One technician, one day a site, a probe every three quarters of an hour from eight in the morning.
void plan_visits(std::vector<ProbePlan>& probes) {
    double next_quernbeck_h = 24.0 + 8.0, next_ormsheld_h = 48.0 + 8.0;
    double quality = 0.95;
    for (auto& probe : probes) {
        auto& next = probe.line == Line::ormsheld_gateway ? next_ormsheld_h : next_quernbeck_h;
        probe.visit_h = next;
        next += 0.75;
        probe.fresh_factor = quality;  // no two membranes are alike
        quality = quality > 1.04 ? 0.95 : quality + 0.03;
    }
}

}  // namespace

Plan plan(double start_day_of_year) {
    Plan all{tanks(start_day_of_year), {}};
    add_quernbeck(all.probes);
    add_ormsheld(all.probes);
    plan_visits(all.probes);
    for (auto& probe : all.probes) {
        probe.transmitter.resolution_mg_l = probe.registers == Registers::scaled_words ? 0.01 : 0.001;
    }
    return all;
}

}  // namespace probekeeper::estate

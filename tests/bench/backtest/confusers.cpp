#include "confusers.h"

#include <algorithm>

namespace probekeeper::backtest {
namespace {

using physics::Random;
using physics::WaterKind;

Span draw_span(FleetPlan const& fleet, double shortest_days, double longest_days, Random& random) {
    double const lasts = random.uniform(shortest_days, longest_days);
    double const from = random.uniform(std::min(4.0, 0.2 * fleet.days), fleet.days);
    return {from, from + lasts};
}

TankEvent halved_kla(FleetPlan const& fleet, Random& random) {
    TankEvent e{draw_span(fleet, 5.0, 60.0, random), {}, "kla_halved"};
    e.influence.kla_factor = 0.5;
    return e;
}

TankEvent more_turbulence(FleetPlan const& fleet, Random& random) {
    TankEvent e{draw_span(fleet, 2.0, 12.0, random), {}, "turbulence"};
    e.influence.movement_factor = random.uniform(1.5, 3.0);
    return e;
}

TankEvent cold_week(FleetPlan const& fleet, Random& random) {
    TankEvent e{draw_span(fleet, 6.0, 9.0, random), {}, "cold_week"};
    e.influence.temperature_shift_c = -8.0;
    return e;
}

TankEvent changed_load(FleetPlan const& fleet, Random& random) {
    TankEvent e{draw_span(fleet, 4.0, 20.0, random), {}, "changed_load"};
    e.influence.uptake_factor = random.chance(0.5) ? random.uniform(1.3, 1.7) : random.uniform(0.5, 0.7);
    return e;
}

// Oxygen that balances the uptake at 0.15..0.3 mg/L while the air is off.
TankEvent incomplete_anoxia(FleetPlan const& fleet, TankPlan const& tank, Random& random) {
    TankEvent e{draw_span(fleet, 2.0, 6.0, random), {}, "incomplete_anoxia"};
    double const floor = random.uniform(0.15, 0.3);
    auto const& s = tank.settings;
    e.influence.extra_idle_kla_per_h =
        s.uptake_mg_l_h * 0.8 * floor / (s.half_saturation_mg_l + floor) / (9.0 - floor);
    return e;
}

bool has_background_fault(FleetPlan const& fleet, std::size_t tank) {
    return std::any_of(fleet.probes.begin(), fleet.probes.end(), [tank](ProbePlan const& p) {
        return p.tank == tank && std::any_of(p.truth.faults.begin(), p.truth.faults.end(),
                                             [](Fault const& f) { return f.kind == "background"; });
    });
}

void add_tank_events(FleetPlan& fleet, std::size_t index, Random& random) {
    auto& tank = fleet.tanks[index];
    if (random.chance(0.35)) {
        tank.events.push_back(halved_kla(fleet, random));
    }
    if (random.chance(0.35)) {
        tank.events.push_back(more_turbulence(fleet, random));
    }
    if (random.chance(0.35)) {
        tank.events.push_back(changed_load(fleet, random));
    }
    bool const anoxic = tank.settings.kind == WaterKind::intermittent;
    // It would hide a background, not feign one, where both are.
    if (anoxic && random.chance(0.35) && !has_background_fault(fleet, index)) {
        tank.events.push_back(incomplete_anoxia(fleet, tank, random));
    }
}

void tell_probes(FleetPlan& fleet) {
    for (auto& probe : fleet.probes) {
        for (auto const& event : fleet.tanks[probe.tank].events) {
            if (event.when.from_day < fleet.days) {
                probe.truth.confusers.push_back(event.name);
            }
        }
        if (!fleet.sites[probe.site].outages.empty()) {
            probe.truth.confusers.push_back("power_cut");
        }
        if (!fleet.sites[probe.site].aeration_unread.empty()) {
            probe.truth.confusers.push_back("aeration_unread");
        }
        if (!fleet.sites[probe.site].aeration_wrong.empty()) {
            probe.truth.confusers.push_back("aeration_wrong");
        }
        if (!probe.late_rows.empty()) {
            probe.truth.confusers.push_back("late_rows");
        }
        if (probe.doubled_rows) {
            probe.truth.confusers.push_back("doubled_rows");
        }
        if (probe.truth.fleet == "pond") {
            probe.truth.confusers.push_back("supersaturation");
        }
    }
}

}  // namespace

void add_confusers(FleetPlan& fleet, Random& random) {
    for (std::size_t i = 0; i < fleet.tanks.size(); ++i) {
        add_tank_events(fleet, i, random);
    }
    for (std::size_t i = 0; i < fleet.sites.size(); ++i) {
        auto& site = fleet.sites[i];
        if (random.chance(0.4)) {
            site.outages.push_back(draw_span(fleet, 0.05, 1.0, random));
        }
        if (site.gives_aeration && random.chance(0.5)) {
            site.aeration_unread.push_back(draw_span(fleet, 0.5, 1.5, random));
        }
        if (site.gives_aeration && random.chance(0.2)) {
            site.aeration_wrong.push_back(draw_span(fleet, 0.3, 1.0, random));
        }
        if (random.chance(0.4)) {  // weather is the same for all of a site's water
            auto const cold = cold_week(fleet, random);
            for (auto& tank : fleet.tanks) {
                if (tank.site == i) {
                    tank.events.push_back(cold);
                }
            }
        }
    }
    for (auto& probe : fleet.probes) {
        if (random.chance(0.3)) {
            probe.late_rows.push_back(draw_span(fleet, 0.2, 1.0, random));
        }
    }
    tell_probes(fleet);
}

}  // namespace probekeeper::backtest

#include "services.h"

#include <algorithm>

#include "faults.h"

namespace probekeeper::backtest {
namespace {

using physics::Random;

// The wear of a membrane that is new and as it should be.
physics::Ageing as_new(Random& random) {
    physics::Ageing a;
    a.background_fresh_mg_l = random.uniform(-0.01, 0.03);
    a.coating = random.uniform(0.0, 0.15);
    a.coating_growth = {.from_day = 0.0, .over_days = 60.0, .power = 1.0, .most = 1.2};
    a.span = random.uniform(-0.01, 0.01);
    a.span_growth = {.from_day = 0.0, .over_days = 40.0, .power = 1.0, .most = 1.0};
    return a;
}

physics::Growth from_the_first() {
    return {.from_day = -1.0, .over_days = 1.0, .power = 1.0, .most = 1.0};
}

// Slow or with a background, over its limit by about day 8; T90 2.6 times fresh by the time of the visit.
void lay_need(ProbePlan& p, bool background, Random& random) {
    p.lives.erase(p.lives.begin() + 1, p.lives.end());
    auto& life = p.lives.front();
    life.from_day = -30.0;
    life.fresh_factor = 1.0;
    life.ageing = as_new(random);
    if (background) {
        life.ageing.background_mg_l = 0.4;
        life.ageing.background_growth = {.from_day = 25.0, .over_days = 10.0, .power = 1.0, .most = 1.2};
    } else {
        life.ageing.coating = 1.6 * (p.truth.t90_limit_ratio - 1.0);
        life.ageing.coating_growth = {.from_day = 15.0, .over_days = 23.0, .power = 1.0, .most = 1.2};
    }
}

void lay_visit(ProbePlan& p, double day, std::string const& kind, Random& random) {
    Visit visit{day, VisitKind::membrane_change};
    visit.calibrated = kind != "no_calibration";
    visit.elsewhere = kind == "wrong_probe";
    if (!visit.elsewhere) {
        auto const before = life_on(p, day).ageing.wear_at(day - p.lives.back().from_day);
        Life life{day, as_new(random), random.uniform(0.95, 1.05)};
        if (kind == "wrinkled_membrane") {  // a film of electrolyte under it, and it flutters
            life.ageing.coating = random.uniform(0.8, 1.5);
            life.ageing.coating_growth = from_the_first();
            life.ageing.wrinkle = random.uniform(0.0, 0.03);
            life.ageing.wrinkle_growth = from_the_first();
        } else if (kind == "dirty_cathode") {
            life.ageing.background_fresh_mg_l = std::max(0.35, before.background_mg_l);
        } else if (kind == "no_calibration") {
            life.ageing.span = random.uniform(0.12, 0.2);
            life.ageing.span_growth = from_the_first();
        }
        p.lives.push_back(life);
    }
    p.visits.push_back(visit);
}

}  // namespace

void give_services(FleetPlan& fleet, std::uint64_t seed) {
    auto random = Random{seed}.fork(977);
    for (auto& p : fleet.probes) {
        p.truth.faults.clear();
        p.truth.confusers.clear();
        p.visits.clear();
        p.silent.reset();
        p.temperature_broken_on_day.reset();
        if (!p.truth.testable) {
            continue;
        }
        auto& tank = fleet.tanks[p.tank].settings;
        bool const floors = tank.kind == physics::WaterKind::intermittent;
        bool const background = floors && random.chance(0.4);
        if (background) {  // as a background fault has it: a tank that reaches its floor
            tank.off_min = std::max(tank.off_min, 35.0);
            tank.kla_idle_per_h = std::min(tank.kla_idle_per_h, 0.03);
        }
        lay_need(p, background, random);
        double const day = random.uniform(18.0, 21.0);
        std::string const botched = background           ? "dirty_cathode"
                                    : random.chance(0.4) ? "wrinkled_membrane"
                                    : random.chance(0.5) ? "no_calibration"
                                                         : "wrong_probe";
        bool const good = random.chance(0.5);
        auto const kind = good ? std::string{"good"} : botched;
        lay_visit(p, day, kind, random);
        p.truth.service = ServiceTruth{at_day(fleet, day), kind, good};
    }
}

}  // namespace probekeeper::backtest

#include "plan.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include "confusers.h"
#include "faults.h"

namespace probekeeper::backtest {
namespace {

using physics::Random;
using physics::WaterKind;

std::vector<WaterKind> waters_of(std::string const& fleet) {
    if (fleet == "intermittent") {
        return {WaterKind::intermittent};
    }
    if (fleet == "continuous") {
        return {WaterKind::continuous};
    }
    if (fleet == "fish") {
        return {WaterKind::fish};
    }
    if (fleet == "pond") {
        return {WaterKind::pond};
    }
    if (fleet == "mixed") {
        return {WaterKind::intermittent, WaterKind::continuous, WaterKind::fish, WaterKind::pond};
    }
    throw std::invalid_argument(
        fmt::format("no fleet '{}': intermittent, continuous, fish, pond or mixed", fleet));
}

std::string word_of(WaterKind kind) {
    switch (kind) {
        case WaterKind::intermittent:
            return "intermittent";
        case WaterKind::continuous:
            return "continuous";
        case WaterKind::fish:
            return "fish";
        case WaterKind::pond:
            return "pond";
    }
    return {};
}

bool is_wastewater(WaterKind kind) {
    return kind == WaterKind::intermittent || kind == WaterKind::continuous;
}

double draw_poll_s(WaterKind kind, Random& random) {
    static constexpr double intermittent[] = {5.0, 10.0, 10.0, 15.0};
    static constexpr double continuous[] = {5.0, 10.0, 15.0, 20.0};
    static constexpr double fish[] = {10.0, 10.0, 15.0, 30.0};
    static constexpr double pond[] = {15.0, 30.0, 30.0, 60.0};
    int const i = random.whole(0, 3);
    switch (kind) {
        case WaterKind::intermittent:
            return intermittent[i];
        case WaterKind::continuous:
            return continuous[i];
        case WaterKind::fish:
            return fish[i];
        case WaterKind::pond:
            return pond[i];
    }
    return 10.0;
}

SitePlan draw_site(WaterKind kind, std::size_t number, Random& random) {
    SitePlan site;
    site.id = fmt::format("{}-{}", word_of(kind), number + 1);
    site.wastewater = is_wastewater(kind);
    site.altitude_m = std::floor(random.uniform(0.0, 300.0));
    // ISO 2533:1975.
    site.mean_pressure_hpa = 1013.25 * std::pow(1.0 - 2.255770e-5 * site.altitude_m, 5.255880);
    site.gives_pressure = random.chance(0.4);
    site.gives_aeration = random.chance(0.85);
    site.gives_hold = random.chance(0.5);
    site.gives_airflow = kind == WaterKind::continuous && random.chance(0.5);
    return site;
}

physics::TransmitterSettings draw_transmitter(Random& random) {
    physics::TransmitterSettings t;
    t.noise_mg_l = random.log_uniform(0.001, 0.006);
    double const grain = random.uniform();
    t.resolution_mg_l = grain < 0.75 ? 0.01 : grain < 0.87 ? 0.001 : 0.1;
    t.damping_s = random.chance(0.15) ? random.uniform(3.0, 8.0) : 0.0;
    t.clips_at_zero = random.chance(0.3);
    t.freezes_while_cleaning = random.chance(0.15);
    return t;
}

std::optional<physics::CleanerSettings> draw_cleaner(WaterKind kind, double poll_s, Random& random) {
    // Where the water itself gives no edges, a blast is what tells T90: nearly every such probe has one.
    double const has = kind == WaterKind::intermittent ? 0.4 : 0.85;
    if (!random.chance(has)) {
        return std::nullopt;
    }
    physics::CleanerSettings c;
    c.every_h = is_wastewater(kind) ? random.log_uniform(1.0, 24.0) : random.log_uniform(2.0, 12.0);
    c.blast_s = random.uniform(std::max(20.0, std::min(45.0, 2.0 * poll_s)), 60.0);
    return c;
}

// Wear that every probe has, well below every limit.
physics::Ageing usual_wear(Random& random) {
    physics::Ageing a;
    a.background_fresh_mg_l = random.uniform(-0.02, 0.05);
    a.coating = random.uniform(0.0, 0.25);
    a.coating_growth = {.from_day = 0.0, .over_days = 60.0, .power = random.uniform(0.7, 1.3), .most = 1.2};
    a.span = random.uniform(-0.015, 0.015);
    a.span_growth = {.from_day = 0.0, .over_days = 40.0, .power = 1.0, .most = 1.5};
    return a;
}

// Half of the probes get a new membrane in the first days, so that fresh can be learned; of the others, half
// have a record from before the run.
void draw_lives(ProbePlan& p, Random& random) {
    Life first{-random.uniform(5.0, 40.0), usual_wear(random)};
    if (random.chance(0.5)) {
        first.ageing.coating = random.uniform(0.0, 0.35);
        p.lives = {first, Life{random.uniform(0.3, 3.0), usual_wear(random), random.uniform(0.9, 1.1)}};
        p.visits.push_back({p.lives.back().from_day, VisitKind::membrane_change});
    } else {
        p.lives = {first};
        if (random.chance(0.5)) {
            p.visits.push_back({first.from_day, VisitKind::membrane_change});
        }
    }
}

// Slime that grows back after each weekly wipe: slower and quicker again, and no fault.
void draw_weekly_wipes(ProbePlan& p, double run_days, Random& random) {
    auto& life = p.lives.back();
    double const fresh = p.probe.t90_fresh_20_s * life.fresh_factor;
    life.ageing.coating = std::min(life.ageing.coating, 0.1);
    life.ageing.film_t90_s = fresh * random.uniform(0.2, 0.5);
    life.ageing.film_growth = {.from_day = 0.0, .over_days = 7.0, .power = 1.0, .most = 1e9};
    life.ageing.wiped_every_days = 7.0;
    life.ageing.wipe_leaves = 0.05;
    for (double day = life.from_day + 7.0; day < run_days; day += 7.0) {
        if (day > 0.0) {
            p.visits.push_back({day, VisitKind::membrane_wipe});
        }
    }
    p.truth.confusers.push_back("weekly_wipes");
}

ProbePlan draw_probe(FleetPlan const& fleet, std::size_t tank, double poll_s, Random random) {
    auto const kind = fleet.tanks[tank].settings.kind;
    ProbePlan p;
    p.tank = tank;
    p.site = fleet.tanks[tank].site;
    p.seed = random.bits();
    p.probe.response = random.chance(0.5) ? physics::Response::membrane : physics::Response::first_order;
    p.probe.t90_fresh_20_s = random.log_uniform(std::clamp(1.5 * poll_s, 15.0, 45.0), 90.0);
    p.probe.activation_kj_mol = random.uniform(20.0, 30.0);
    p.probe.flush_s = random.uniform(2.0, 8.0);
    p.probe.own_noise_mg_l = random.log_uniform(0.001, 0.004);
    p.transmitter = draw_transmitter(random);
    p.cleaner = draw_cleaner(kind, poll_s, random);
    p.gives_cleaning = p.cleaner && random.chance(0.85);
    p.gives_temperature = random.chance(0.95);
    p.use = random.chance(0.2) ? "monitor" : is_wastewater(kind) ? "control" : "alarm";
    draw_lives(p, random);
    p.doubled_rows = random.chance(0.2);

    p.truth.fleet = word_of(kind);
    p.truth.poll_s = poll_s;
    p.truth.t90_limit_ratio = p.use == "monitor" ? 3.0 : 2.0;
    p.truth.testable = p.cleaner || kind == WaterKind::intermittent ||
                       (kind == WaterKind::continuous && fleet.tanks[tank].settings.pauses);
    if (p.cleaner && random.chance(0.2)) {
        draw_weekly_wipes(p, fleet.days, random);
    }
    p.truth.fresh_t90_20_s = [&] {
        physics::Probe fresh{p.probe, Random{0}};
        fresh.change_membrane(p.lives.back().fresh_factor, 1.0);
        return fresh.t90_20_s(p.transmitter.damping_s);
    }();
    p.configured_t90_s = std::round(p.truth.fresh_t90_20_s * random.uniform(0.85, 1.15));
    p.truth.configured_t90_s = p.configured_t90_s;
    return p;
}

void draw_tank(FleetPlan& fleet, WaterKind kind, std::size_t site, Random& random) {
    TankPlan tank;
    tank.site = site;
    tank.settings = physics::typical_tank(kind, random);
    tank.settings.mean_pressure_hpa = fleet.sites[site].mean_pressure_hpa;
    auto const year = std::chrono::floor<std::chrono::days>(fleet.start);
    std::chrono::year_month_day const date{year};
    auto const january_1 = std::chrono::sys_days{date.year() / std::chrono::January / 1};
    tank.settings.start_day_of_year = seconds_between(january_1, fleet.start) / 86'400.0;
    tank.seed = random.bits();
    fleet.tanks.push_back(tank);
}

// `count` probes of one site, alone or two to a tank; two in the same water are neighbours.
void draw_site_probes(FleetPlan& fleet, WaterKind kind, std::size_t site, int count, Random& random) {
    double const poll_s = draw_poll_s(kind, random);
    int number = 1;
    for (int left = count; left > 0;) {
        int const here = left > 1 && random.chance(0.6) ? 2 : 1;
        draw_tank(fleet, kind, site, random);
        for (int i = 0; i < here; ++i) {
            auto p = draw_probe(fleet, fleet.tanks.size() - 1, poll_s, random.fork(random.bits()));
            p.truth.id = fmt::format("{}-tank-{}{}", fleet.sites[site].id, number,
                                     here == 1 ? ""
                                     : i == 0  ? "-a"
                                               : "-b");
            fleet.probes.push_back(p);
        }
        if (here == 2) {
            auto& a = fleet.probes[fleet.probes.size() - 2];
            auto& b = fleet.probes.back();
            a.neighbours.push_back(b.truth.id);
            b.neighbours.push_back(a.truth.id);
        }
        left -= here;
        ++number;
    }
}

void give_faults(FleetPlan& fleet, Random& random) {
    double const earliest = std::min(12.0, fleet.days / 3.0);
    double const latest = fleet.days - 4.5;
    for (auto& probe : fleet.probes) {
        bool const has_film = probe.lives.back().ageing.film_t90_s > 0.0;
        if (has_film) {
            continue;
        }
        if (random.chance(0.55)) {
            give_fault(fleet, probe, earliest, latest, random);
        } else if (probe.truth.testable && random.chance(0.2)) {
            give_coming_coating(fleet, probe, random);
        }
    }
}

}  // namespace

FleetPlan plan_fleet(std::uint64_t seed, std::string const& fleet_word, int probes, double run_days) {
    auto const waters = waters_of(fleet_word);
    Random random = Random{seed}.fork(waters.size() * 16 + static_cast<std::uint64_t>(waters.front()));
    FleetPlan fleet;
    fleet.days = run_days;
    fleet.start = std::chrono::sys_days{std::chrono::year{2025} / 1 / 1} + days(random.whole(0, 300)) +
                  Millis{3'600'000LL * random.whole(0, 23)};
    fleet.in_percent = fleet_word != "mixed" && !is_wastewater(waters.front()) && random.chance(0.4);

    int const sites = std::max({1, static_cast<int>(waters.size()), (probes + 4) / 5});
    for (int i = 0; i < sites; ++i) {
        auto const kind = waters[static_cast<std::size_t>(i) % waters.size()];
        auto const site = fleet.sites.size();
        fleet.sites.push_back(draw_site(kind, site, random));
        int const count = probes * (i + 1) / sites - probes * i / sites;
        draw_site_probes(fleet, kind, site, count, random);
    }
    std::sort(fleet.probes.begin(), fleet.probes.end(),
              [](ProbePlan const& a, ProbePlan const& b) { return a.truth.id < b.truth.id; });
    give_faults(fleet, random);
    add_confusers(fleet, random);
    for (auto& probe : fleet.probes) {
        std::sort(probe.visits.begin(), probe.visits.end(),
                  [](Visit const& a, Visit const& b) { return a.day < b.day; });
    }
    return fleet;
}

}  // namespace probekeeper::backtest

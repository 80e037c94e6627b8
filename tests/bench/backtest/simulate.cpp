#include "simulate.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <cmath>
#include <deque>

#include "csv.h"
#include "faults.h"
#include "physics/saturation.h"

namespace probekeeper::backtest {
namespace {

using physics::Place;
using physics::Random;

constexpr double day_s = 86'400.0;
// Every poll interval is a multiple of it; aerator and blast edges are resolved to it.
constexpr double step_s = 2.5;
constexpr double wear_step_s = 600.0;
constexpr double lift_minutes = 3.0;    // out of the water before a membrane is off
constexpr double bench_minutes = 20.0;  // in air with the new one
constexpr double dry_zero_minutes = 10.0;
constexpr double floor_s = 300.0;  // without oxygen, until a reading there tells the background
constexpr double dry_zero_limit_mg_l = 0.1;
constexpr double held_back_s = 200.0;  // with a poll more, still within the five minutes a file may be untidy

struct RunningTank {
    TankPlan const& plan;
    physics::Tank tank;
    double slow_do_mg_l = 0.0;  // follows within two minutes: the water is steady where it has caught up
    double anoxic_s = 0.0;
    bool air_was_on = false;
    bool reached_floor = false, went_off = false;  // in this very step

    void step(double day, bool power) {
        physics::Influence now;
        for (auto const& event : plan.events) {
            if (event.when.covers(day)) {
                now.kla_factor *= event.influence.kla_factor;
                now.uptake_factor *= event.influence.uptake_factor;
                now.movement_factor *= event.influence.movement_factor;
                now.temperature_shift_c += event.influence.temperature_shift_c;
                now.extra_idle_kla_per_h += event.influence.extra_idle_kla_per_h;
            }
        }
        now.power = power;
        tank.influence() = now;
        tank.step(step_s);
        auto const& water = tank.state();
        slow_do_mg_l += (water.do_mg_l - slow_do_mg_l) * step_s / 120.0;
        double const anoxic_before_s = anoxic_s;
        anoxic_s = water.do_mg_l < 0.03 ? anoxic_s + step_s : 0.0;
        reached_floor = anoxic_before_s < floor_s && anoxic_s >= floor_s;
        went_off = air_was_on && !water.aeration && water.do_mg_l > 1.0;
        air_was_on = water.aeration;
    }
    [[nodiscard]] bool steady() const {
        double const c = tank.state().do_mg_l;
        return c > 1.0 && std::abs(c - slow_do_mg_l) < 0.02 + 0.02 * c;
    }
};

struct RunningProbe {
    ProbePlan const& plan;
    SitePlan const& site;
    RunningTank& tank;
    physics::Probe probe;
    physics::Transmitter transmitter;
    std::optional<physics::Cleaner> cleaner;
    Random random;
    std::size_t poll_steps;
    std::size_t poll_phase;
    int offset_ms;
    double thermometer_error_c;
    double since_wear_s = 1e9;
    std::size_t next_visit = 0;
    Life const* life = nullptr;
    Place place = Place::water;
    bool in_hand = false;
    bool cleaning = false;
    Evidence evidence = {};
    std::string held = {};  // rows kept back
    double held_since_s = 0.0;
};

RunningProbe start(ProbePlan const& plan, SitePlan const& site, RunningTank& tank) {
    Random random{plan.seed};
    auto transmitter = plan.transmitter;
    transmitter.resolution_mg_l = 0.0;  // the row rounds, in the unit of its column
    auto const poll_steps = static_cast<std::size_t>(std::lround(plan.truth.poll_s / step_s));
    std::optional<physics::Cleaner> cleaner;
    if (plan.cleaner) {
        cleaner.emplace(*plan.cleaner, random.fork(3));
    }
    RunningProbe p{.plan = plan,
                   .site = site,
                   .tank = tank,
                   .probe = physics::Probe{plan.probe, random.fork(1)},
                   .transmitter = physics::Transmitter{transmitter, random.fork(2)},
                   .cleaner = cleaner,
                   .random = random.fork(4),
                   .poll_steps = poll_steps,
                   .poll_phase = random.bits() % poll_steps,
                   .offset_ms = random.whole(0, 2200),
                   .thermometer_error_c = 0.1 * random.normal()};
    return p;
}

class Simulation {
public:
    Simulation(FleetPlan const& plan, std::filesystem::path const& folder);
    Lived run();

private:
    struct Due {
        Timestamp time{};
        RunningProbe* probe = nullptr;
    };

    void step_probe(RunningProbe& p);
    void note_evidence(RunningProbe& p, bool blast_ended);
    void renew_wear(RunningProbe& p);
    void visit(RunningProbe& p);
    // These tell whether the visit is over.
    bool change_membrane(RunningProbe& p, Visit const& visit, double minutes);
    bool change_elsewhere(RunningProbe& p, double day, double minutes);
    bool check_reference(RunningProbe& p);
    bool check_zero(RunningProbe& p, double minutes);
    void record(RunningProbe const& p, double day, std::string const& cells);
    void emit_due(std::size_t step);
    void emit(RunningProbe& p, Timestamp time);
    void put_do(RunningProbe const& p);
    void release(RunningProbe& p);
    [[nodiscard]] bool now_in(std::vector<Span> const& spans) const;
    [[nodiscard]] bool has_power(SitePlan const& site) const;

    FleetPlan const& plan_;
    TextFile readings_, service_;
    std::deque<RunningTank> tanks_;
    std::deque<RunningProbe> probes_;
    std::vector<Due> due_;
    Row row_;
    double day_ = 0.0;
    std::size_t rows_ = 0;
};

Simulation::Simulation(FleetPlan const& plan, std::filesystem::path const& folder)
    : plan_{plan}, readings_{folder / "readings.csv"}, service_{folder / "service.csv"} {
    for (auto const& tank : plan.tanks) {
        tanks_.push_back({tank, physics::Tank{tank.settings, Random{tank.seed}}});
    }
    for (auto const& probe : plan.probes) {
        probes_.push_back(start(probe, plan.sites[probe.site], tanks_[probe.tank]));
    }
    readings_.write(fmt::format("time,probe,{},temperature_c,pressure_hpa,airflow,cleaning,aeration,hold\n",
                                plan.in_percent ? "do_percent" : "do_mg_l"));
    service_.write(
        "time,probe,kind,dry_zero_mg_l,dry_zero_found_mg_l,air_percent,reference_mg_l,probe_mg_l,by\n");
}

bool Simulation::now_in(std::vector<Span> const& spans) const {
    return std::any_of(spans.begin(), spans.end(), [this](Span const& s) { return s.covers(day_); });
}

bool Simulation::has_power(SitePlan const& site) const {
    return !now_in(site.outages);
}

Lived Simulation::run() {
    auto const steps = static_cast<std::size_t>(plan_.days * day_s / step_s);
    for (std::size_t step = 0; step < steps; ++step) {
        day_ = static_cast<double>(step) * step_s / day_s;
        for (auto& tank : tanks_) {
            tank.step(day_, has_power(plan_.sites[tank.plan.site]));
        }
        for (auto& probe : probes_) {
            step_probe(probe);
        }
        emit_due(step);
    }
    Lived lived{rows_, {}};
    for (auto& probe : probes_) {
        release(probe);
        lived.evidence.push_back(std::move(probe.evidence));
    }
    readings_.close();
    service_.close();
    return lived;
}

void Simulation::renew_wear(RunningProbe& p) {
    p.since_wear_s = 0.0;
    auto const& life = life_on(p.plan, day_);
    if (&life != p.life) {
        double const overshoot = p.life == nullptr ? 1.0 : p.random.uniform(2.0, 2.5);
        p.probe.change_membrane(life.fresh_factor, overshoot);
        p.life = &life;
    }
    p.probe.wear() = life.ageing.wear_at(day_ - life.from_day);
}

void Simulation::step_probe(RunningProbe& p) {
    visit(p);
    p.since_wear_s += step_s;
    if (p.since_wear_s >= wear_step_s) {
        renew_wear(p);
    }
    bool const was_cleaning = p.cleaning;
    p.cleaning = p.cleaner && p.cleaner->step(step_s) && has_power(p.site);
    note_evidence(p, was_cleaning && !p.cleaning);
    auto const place = p.in_hand ? p.place : p.cleaning ? Place::air : Place::water;
    // A blast that no longer reaches the membrane does not keep a hand from lifting the probe out.
    double const reach = p.probe.wear().cleaning_reach;
    p.probe.wear().cleaning_reach = p.in_hand ? 1.0 : reach;
    p.probe.step(step_s, p.tank.tank.state(), place);
    p.probe.wear().cleaning_reach = reach;
    p.transmitter.step(step_s, p.probe.reading_mg_l(), p.cleaning, p.probe.wear().stuck);
    p.evidence.stuck_at_zero = p.probe.wear().stuck && written_as_zero(p.transmitter.shown_mg_l(),
                                                                       p.plan.transmitter.resolution_mg_l);
}

void Simulation::note_evidence(RunningProbe& p, bool blast_ended) {
    if (p.in_hand || !has_power(p.site)) {
        return;
    }
    // In fish tanks and ponds oxygen falls so slowly that an edge of the air tells no T90.
    bool const edges = p.site.wastewater;
    if (blast_ended || (edges && p.tank.went_off)) {
        p.evidence.tests.push_back(day_);
    }
    if (p.tank.reached_floor) {
        p.evidence.floors.push_back(day_);
    }
}

void Simulation::record(RunningProbe const& p, double day, std::string const& cells) {
    service_.write(fmt::format("{},{},{},tech-1\n", to_rfc3339(at_day(plan_, day)), p.plan.truth.id, cells));
}

// One visit at a time; a new one waits until the last is over.
void Simulation::visit(RunningProbe& p) {
    if (p.next_visit >= p.plan.visits.size()) {
        return;
    }
    auto const& v = p.plan.visits[p.next_visit];
    double const minutes = (day_ - v.day) * 1440.0;  // since the visit's own moment
    bool over = false;
    switch (v.kind) {
        case VisitKind::membrane_change:
            over = v.elsewhere ? change_elsewhere(p, v.day, minutes) : change_membrane(p, v, minutes);
            break;
        case VisitKind::membrane_wipe:
            over = minutes >= 0.0;
            if (over) {
                record(p, v.day, "membrane_wipe,,,,,");
            }
            break;
        case VisitKind::reference_check:
            over = minutes >= 0.0 && check_reference(p);
            break;
        case VisitKind::dry_zero:
            over = check_zero(p, minutes);
            break;
    }
    p.next_visit += over ? 1 : 0;
}

// Another probe was serviced, and this one named.
bool Simulation::change_elsewhere(RunningProbe& p, double day, double minutes) {
    if (minutes < bench_minutes) {
        return false;
    }
    record(p, day, "membrane_change,,,,,");
    record(p, day + (bench_minutes - 2.0) / 1440.0,
           fmt::format("air_calibration,,,{:.1f},,", p.random.uniform(95.0, 112.0)));
    return true;
}

bool Simulation::change_membrane(RunningProbe& p, Visit const& visit, double minutes) {
    double const day = visit.day;
    if (day < 0.0) {  // before the run: on paper only
        record(p, day, "membrane_change,,,,,");
        return true;
    }
    p.in_hand = minutes >= -lift_minutes && minutes < bench_minutes;
    p.place = Place::air;
    if (minutes >= 0.0 && &life_on(p.plan, day_) != p.life) {
        renew_wear(p);
    }
    if (minutes < bench_minutes) {
        return false;
    }
    record(p, day, "membrane_change,,,,,");
    if (visit.calibrated.value_or(p.random.chance(0.6))) {
        record(p, day + (bench_minutes - 2.0) / 1440.0,
               fmt::format("air_calibration,,,{:.1f},,", p.random.uniform(88.0, 112.0)));
    }
    return true;
}

// Nobody compares two meters while the water moves.
bool Simulation::check_reference(RunningProbe& p) {
    if (!p.tank.steady()) {
        return false;
    }
    double const meter = p.tank.tank.state().do_mg_l * (1.0 + 0.01 * p.random.normal());
    double const shown = p.transmitter.shown_mg_l();
    record(p, day_, fmt::format("reference_check,,,,{:.2f},{:.2f}", meter, shown));
    if (std::abs(shown - meter) > std::max(0.1 * meter, 0.3)) {
        p.evidence.disagreements.push_back(day_);
    }
    return true;
}

bool Simulation::check_zero(RunningProbe& p, double minutes) {
    p.in_hand = minutes >= 0.0 && minutes < dry_zero_minutes;
    p.place = Place::zero;
    if (minutes < dry_zero_minutes) {
        return false;
    }
    double const zero = p.transmitter.shown_mg_l();
    if (std::lround(100.0 * zero) > std::lround(100.0 * dry_zero_limit_mg_l)) {
        p.evidence.zeros.push_back(day_);
    }
    record(p, day_, fmt::format("inspection,{:.2f},{:.2f},,,", zero, zero));
    return true;
}

void Simulation::emit_due(std::size_t step) {
    due_.clear();
    auto const now = plan_.start + Millis{static_cast<std::int64_t>(step) * 2500};
    for (auto& p : probes_) {
        if (!p.held.empty() && day_ * day_s - p.held_since_s >= held_back_s) {
            release(p);
        }
        bool const silent = p.plan.silent && p.plan.silent->covers(day_);
        if (step % p.poll_steps == p.poll_phase && !silent && has_power(p.site)) {
            due_.push_back({now + Millis{p.offset_ms + p.random.whole(0, 150)}, &p});
        }
    }
    std::sort(due_.begin(), due_.end(), [](Due const& a, Due const& b) {
        return a.time != b.time ? a.time < b.time : a.probe->plan.truth.id < b.probe->plan.truth.id;
    });
    for (auto const& due : due_) {
        emit(*due.probe, due.time);
    }
}

void Simulation::put_do(RunningProbe const& p) {
    double const shown = p.transmitter.shown_mg_l();
    auto const& water = p.tank.tank.state();
    if (plan_.in_percent) {
        // A transmitter without a barometer works with the site's usual pressure.
        double const pressure = p.site.gives_pressure ? water.pressure_hpa : p.site.mean_pressure_hpa;
        double const full = physics::saturation_mg_l(water.temperature_c, water.salinity_psu, pressure);
        row_.number(100.0 * shown / full, 1);
        return;
    }
    double const grain = p.plan.transmitter.resolution_mg_l;
    int const decimals = grain >= 0.1 ? 1 : grain >= 0.01 ? 2 : 3;
    row_.number(shown, decimals);
}

void Simulation::emit(RunningProbe& p, Timestamp time) {
    auto const& water = p.tank.tank.state();
    row_.begin(time, p.plan.truth.id);
    put_do(p);
    if (p.plan.gives_temperature) {
        bool const broken = p.plan.temperature_broken_on_day && day_ >= *p.plan.temperature_broken_on_day;
        row_.number(broken ? -50.0 : water.temperature_c + p.thermometer_error_c, 1);
    } else {
        row_.empty();
    }
    p.site.gives_pressure ? row_.number(water.pressure_hpa, 1) : row_.empty();
    p.site.gives_airflow ? row_.number(1000.0 * water.airflow, 0) : row_.empty();
    p.plan.gives_cleaning ? row_.bit(p.cleaning) : row_.empty();
    bool const wrong = now_in(p.site.aeration_wrong);
    bool const read = p.site.gives_aeration && !now_in(p.site.aeration_unread);
    read ? row_.bit(water.aeration || wrong) : row_.empty();
    p.site.gives_hold ? row_.bit(p.in_hand) : row_.empty();
    auto const& text = row_.end();
    ++rows_;

    if (now_in(p.plan.late_rows)) {
        if (p.held.empty()) {
            p.held_since_s = day_ * day_s;
        }
        p.held += text;
        return;
    }
    release(p);
    readings_.write(text);
    if (p.plan.doubled_rows && p.random.chance(0.003)) {
        readings_.write(text);
        ++rows_;
    }
}

void Simulation::release(RunningProbe& p) {
    if (!p.held.empty()) {
        readings_.write(p.held);
        p.held.clear();
    }
}

}  // namespace

bool written_as_zero(double mg_l, double resolution_mg_l) {
    constexpr double two_places = 0.01;
    return std::abs(mg_l) < 0.5 * std::max(two_places, resolution_mg_l);
}

Lived simulate(FleetPlan const& plan, std::filesystem::path const& folder) {
    std::filesystem::create_directories(folder);
    write_config(plan, folder / "config.toml");
    Simulation simulation{plan, folder};
    return simulation.run();
}

void write_config(FleetPlan const& plan, std::filesystem::path const& file) {
    TextFile out{file};
    out.write("# A simulated fleet. All names are of our own invention.\n\n");
    for (auto const& site : plan.sites) {
        out.write(fmt::format(
            "[[site]]\nid = \"{}\"\nname = \"Site {}\"\nkind = \"{}\"\nlatitude = 45.0\nlongitude = 0.0\n"
            "altitude_m = {:.1f}\nsalinity_psu = 0.0\n\n",
            site.id, site.id, site.wastewater ? "wastewater" : "aquaculture", site.altitude_m));
    }
    for (auto const& probe : plan.probes) {
        std::string neighbours;
        for (auto const& n : probe.neighbours) {
            neighbours += fmt::format("{}\"{}\"", neighbours.empty() ? "" : ", ", n);
        }
        out.write(
            fmt::format("[[probe]]\nid = \"{}\"\nsite = \"{}\"\nlocation = \"Tank {}\"\nuse = \"{}\"\n"
                        "poll_s = {:.1f}\nt90_s = {:.1f}\nneighbours = [{}]\n\n",
                        probe.truth.id, plan.sites[probe.site].id, probe.tank + 1, probe.use,
                        probe.truth.poll_s, probe.configured_t90_s, neighbours));
    }
    out.close();
}

namespace {

// The fault as the readings show it.
Fault as_seen(FleetPlan const& plan, Evidence const& evidence, Fault fault) {
    double const visible = seconds_between(plan.start, fault.visible) / day_s;
    // What a record says cannot be too early to say.
    bool const compared = fault.named_by.front() == "reference_disagreement";
    if (compared && !evidence.disagreements.empty()) {
        fault.crossing = std::min(fault.crossing, at_day(plan, evidence.disagreements.front()));
    }
    if (fault.kind == "stuck" && evidence.stuck_at_zero) {
        fault.named_by.emplace_back("no_signal");
    }
    if (fault.seen_in == SeenIn::readings) {
        return fault;
    }
    if (fault.seen_in == SeenIn::zeros) {  // as written down, noise and all
        auto const zero = std::lower_bound(evidence.zeros.begin(), evidence.zeros.end(), visible);
        fault.visible = at_day(plan, zero != evidence.zeros.end() ? *zero : std::max(visible, plan.days));
        return fault;
    }
    auto const& days_of = fault.seen_in == SeenIn::floors ? evidence.floors : evidence.tests;
    auto const after = std::upper_bound(days_of.begin(), days_of.end(), visible);
    // After the run: what no evidence has shown by its end is not due in it.
    double const second = days_of.end() - after >= 2 ? *(after + 1) : std::max(visible, plan.days);
    fault.visible = at_day(plan, std::max(visible, second));
    return fault;
}

}  // namespace

FleetTruth truth_of(FleetPlan const& plan, Lived const& lived, std::string const& fleet, std::uint64_t seed) {
    FleetTruth truth{fleet, seed, plan.start, at_day(plan, plan.days), {}};
    for (std::size_t i = 0; i < plan.probes.size(); ++i) {
        auto const& planned = plan.probes[i];
        auto probe = planned.truth;
        for (auto& fault : probe.faults) {
            fault = as_seen(plan, lived.evidence[i], fault);
        }
        for (double day = 0.0;; day += 0.5) {
            double const at = std::min(day, plan.days);
            auto const& life = life_on(planned, at);
            probe.course.push_back(
                {.at = at_day(plan, at),
                 .t90_20_s = true_t90_20_s(planned, at),
                 .background_mg_l = life.ageing.wear_at(at - life.from_day).background_mg_l});
            if (at >= plan.days) {
                break;
            }
        }
        truth.probes.push_back(std::move(probe));
    }
    return truth;
}

}  // namespace probekeeper::backtest

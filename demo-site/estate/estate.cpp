#include "estate/estate.h"

#include <algorithm>
#include <cmath>
#include <utility>

namespace probekeeper::estate {
namespace {

constexpr std::uint64_t seed = 20'260'301;  // any number: another one is another summer

double day_of_year(Timestamp t) {
    auto const day = std::chrono::floor<std::chrono::days>(t);
    std::chrono::year_month_day const date{day};
    auto const new_year = std::chrono::sys_days{date.year() / std::chrono::January / 1};
    return seconds_between(new_year, t) / 86'400.0;
}

double rounded(double value, double grain) {
    return std::round(value / grain) * grain;
}

}  // namespace

Estate::Estate(Timestamp start)
    : start_{start}, now_{start}, plan_{plan(day_of_year(start))}, next_wear_{start} {
    physics::Random const root{seed};
    for (std::size_t i = 0; i < plan_.tanks.size(); ++i) {
        tanks_.emplace_back(plan_.tanks[i].settings, root.fork(100 + i));
    }
    auto const midnight = std::chrono::floor<std::chrono::days>(start);
    for (std::size_t i = 0; i < plan_.probes.size(); ++i) {
        auto const& p = plan_.probes[i];
        auto const own = root.fork(1000 + i);
        living_.push_back(
            {physics::Probe{p.probe, own.fork(1)}, physics::Transmitter{p.transmitter, own.fork(2)},
             physics::Cleaner{p.cleaner, own.fork(3)}, Visit{midnight + seconds(p.visit_h * 3600.0)}});
    }
}

void Estate::step(Millis dt) {
    now_ += dt;
    double const dt_s = static_cast<double>(dt.count()) / 1000.0;
    for (std::size_t i = 0; i < tanks_.size(); ++i) {
        step_tank(i, dt_s);
    }
    // Wear is a matter of days; looking once a minute spares most of its cost.
    bool const worn = now_ >= next_wear_;
    if (worn) {
        next_wear_ = now_ + std::chrono::minutes{1};
    }
    for (std::size_t i = 0; i < living_.size(); ++i) {
        auto const stage = living_[i].visit.stage_at(now_);
        if (stage != living_[i].stage) {
            enter(i, stage);
        }
        if (worn) {
            wear(i);
        }
        step_probe(i, dt_s);
    }
}

void Estate::live_through(Timestamp until) {
    while (now_ + history_step <= until) {
        step(history_step);
    }
}

void Estate::step_tank(std::size_t tank, double dt_s) {
    double const fouled =
        plan_.tanks[tank].diffuser_lost_by_day_60 * std::min(1.0, days_since_start() / 60.0);
    tanks_[tank].influence().kla_factor = 1.0 - fouled;
    tanks_[tank].step(dt_s);
}

void Estate::step_probe(std::size_t index, double dt_s) {
    auto& living = living_[index];
    bool const blast_due = living.cleaner.step(dt_s);
    living.cleaning = blast_due && !Visit::in_hand(living.stage);
    auto const place = living.cleaning ? physics::Place::air : Visit::place(living.stage);
    living.probe.step(dt_s, water_of(index), place);
    living.transmitter.step(dt_s, living.probe.reading_mg_l(), living.cleaning, living.probe.wear().stuck);
}

void Estate::wear(std::size_t index) {
    auto& living = living_[index];
    auto const& p = plan_.probes[index];
    if (living.stage < Stage::settling_in_air) {
        living.probe.wear() = p.found;
        return;
    }
    auto const renewed = living.visit.begin_of(Stage::settling_in_air);
    living.probe.wear() = p.ageing.wear_at(seconds_between(renewed, now_) / 86'400.0);
    if (living.stage < Stage::after) {
        living.probe.wear().span = p.uncalibrated_span;
    }
}

// What the technician reads off and does as one stage ends and `stage` begins.
void Estate::enter(std::size_t index, Stage stage) {
    auto& living = living_[index];
    living.stage = stage;
    auto const now_shown = shown(index);
    switch (stage) {
        case Stage::before:
        case Stage::found_in_air:
        case Stage::found_in_zero:
        case Stage::left_in_zero:
            return;
        case Stage::settling_in_air:
            jobs_.push_back({now_, index, "membrane_change", now_shown.do_mg_l, {}, {}});
            living.probe.change_membrane(plan_.probes[index].fresh_factor, /*overshoot=*/2.2);
            wear(index);
            return;
        case Stage::calibrating:
            living.dry_zero_as_left_mg_l = now_shown.do_mg_l;
            return;
        case Stage::after:
            jobs_.push_back(
                {now_, index, "air_calibration", {}, living.dry_zero_as_left_mg_l, now_shown.do_percent});
            wear(index);
            return;
    }
}

Shown Estate::shown(std::size_t probe) const {
    auto const& water = water_of(probe);
    auto const& living = living_[probe];
    bool const words = plan_.probes[probe].registers == Registers::scaled_words;
    Shown s;
    s.do_mg_l = living.transmitter.shown_mg_l();
    s.do_percent = 100.0 * s.do_mg_l / water.saturation_mg_l;
    s.temperature_c = rounded(water.temperature_c, words ? 0.1 : 0.01);
    s.salinity_psu = water.salinity_psu;
    s.pressure_hpa = rounded(water.pressure_hpa, 0.1);
    s.airflow_percent = rounded(100.0 * water.airflow, 0.1);
    s.cleaning = living.cleaning;
    s.aeration = water.aeration;
    s.hold = Visit::in_hand(living.stage);
    return s;
}

std::vector<Job> Estate::take_jobs() {
    return std::exchange(jobs_, {});
}

}  // namespace probekeeper::estate

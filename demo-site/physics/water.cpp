#include "physics/water.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "physics/saturation.h"

namespace probekeeper::physics {
namespace {

constexpr double hour_s = 3600.0;
constexpr double day_s = 86'400.0;
// Weather, load and light need no finer steps than this.
constexpr double slow_step_s = 60.0;
constexpr double full_circle = 2.0 * std::numbers::pi;

double wave(double hours, double peak_hour, double period_h) {
    return std::cos(full_circle * (hours - peak_hour) / period_h);
}

// Of feedings spread over the working day: each lifts the uptake for about an hour.
double feeding_effect(double hour, double feedings) {
    int const count = static_cast<int>(feedings);
    double effect = 0.0;
    for (int i = 0; i < count; ++i) {
        double const at = count == 1 ? 9.0 : 7.5 + 9.0 * i / (count - 1);
        double const since_h = hour - at;
        if (since_h > 0.0) {
            effect += since_h / 0.4 * std::exp(1.0 - since_h / 0.4);
        }
    }
    return effect;
}

TankSettings typical_wastewater(Random& random, WaterKind kind) {
    TankSettings s;
    s.kind = kind;
    s.mean_temperature_c = random.uniform(13.0, 18.0);
    s.season_swing_c = random.uniform(3.0, 6.0);
    s.day_swing_c = random.uniform(0.2, 0.6);
    s.kla_per_h = random.uniform(6.0, 14.0);
    s.kla_idle_per_h = random.uniform(0.01, 0.08);
    s.half_saturation_mg_l = random.uniform(0.1, 0.4);
    s.load_day_swing = random.uniform(0.2, 0.4);
    s.aerator_dead_s = random.uniform(1.0, 6.0);
    s.aerator_run_s = random.uniform(3.0, 15.0);
    s.movement_mg_l = random.uniform(0.01, 0.04);
    if (kind == WaterKind::intermittent) {
        s.uptake_mg_l_h = s.kla_per_h * 9.0 * random.uniform(0.4, 0.65);
        s.on_min = random.uniform(12.0, 45.0);
        s.off_min = random.uniform(15.0, 60.0);
        s.cycle_jitter = random.uniform(0.05, 0.3);
        s.setpoint_mg_l = random.chance(0.5) ? random.uniform(1.8, 3.0) : 0.0;
    } else {
        s.uptake_mg_l_h = s.kla_per_h * 7.0 * random.uniform(0.4, 0.6);
        s.pauses = random.chance(0.6);
        s.on_min = random.uniform(120.0, 420.0);
        s.off_min = random.uniform(20.0, 45.0);
        s.setpoint_mg_l = random.uniform(1.5, 2.5);
    }
    return s;
}

TankSettings typical_fish_tank(Random& random) {
    TankSettings s;
    s.kind = WaterKind::fish;
    s.mean_temperature_c = random.uniform(11.0, 20.0);
    s.season_swing_c = random.uniform(1.0, 4.0);
    s.day_swing_c = random.uniform(0.2, 0.8);
    s.kla_per_h = random.uniform(2.5, 5.0);
    s.kla_idle_per_h = random.uniform(0.05, 0.3);
    s.uptake_mg_l_h = random.uniform(1.5, 3.5);
    s.half_saturation_mg_l = 1.0;
    s.load_day_swing = random.uniform(0.1, 0.25);
    s.on_below_percent = random.uniform(70.0, 80.0);
    s.off_above_percent = random.uniform(86.0, 94.0);
    s.feedings_per_day = random.whole(1, 4);
    s.feeding_rise = random.uniform(0.3, 0.7);
    s.aerator_dead_s = random.uniform(1.0, 4.0);
    s.aerator_run_s = random.uniform(2.0, 8.0);
    s.movement_mg_l = random.uniform(0.01, 0.04);
    return s;
}

TankSettings typical_pond(Random& random) {
    TankSettings s;
    s.kind = WaterKind::pond;
    s.mean_temperature_c = random.uniform(16.0, 20.0);
    s.season_swing_c = random.uniform(4.0, 8.0);
    s.day_swing_c = random.uniform(0.8, 2.0);
    s.kla_per_h = random.uniform(0.5, 1.2);
    s.kla_idle_per_h = random.uniform(0.05, 0.2);
    s.uptake_mg_l_h = random.uniform(0.3, 0.7);
    s.half_saturation_mg_l = 0.5;
    s.load_day_swing = random.uniform(0.05, 0.15);
    s.photosynthesis_mg_l_h = random.uniform(1.0, 2.4);
    s.on_below_percent = random.uniform(45.0, 60.0);
    s.off_above_percent = random.uniform(70.0, 85.0);
    s.feedings_per_day = random.whole(0, 2);
    s.feeding_rise = random.uniform(0.2, 0.5);
    s.aerator_dead_s = 1.0;
    s.aerator_run_s = random.uniform(1.0, 4.0);
    s.movement_mg_l = random.uniform(0.02, 0.06);
    return s;
}

}  // namespace

TankSettings typical_tank(WaterKind kind, Random& random) {
    switch (kind) {
        case WaterKind::intermittent:
        case WaterKind::continuous:
            return typical_wastewater(random, kind);
        case WaterKind::fish:
            return typical_fish_tank(random);
        case WaterKind::pond:
            return typical_pond(random);
    }
    return {};
}

Tank::Tank(TankSettings const& settings, Random random)
    : settings_{settings},
      random_{random},
      pressure_{8.0, 2.0 * day_s},
      warmth_{1.0, 3.0 * day_s},
      load_wander_{0.1, 3.0 * hour_s},
      cloud_{1.0, 5.0 * hour_s},
      shared_movement_{1.0, 45.0} {
    state_.salinity_psu = settings_.salinity_psu;
    half_cycle_left_s_ = half_cycle_s(on_) * random_.uniform();
    slow_changes(slow_step_s);
    oxygen_mg_l_ = settings_.setpoint_mg_l > 0.0 ? settings_.setpoint_mg_l : 0.6 * state_.saturation_mg_l;
    measured_mg_l_ = state_.do_mg_l = oxygen_mg_l_;
}

void Tank::step(double dt_s) {
    elapsed_s_ += dt_s;
    since_slow_s_ += dt_s;
    if (since_slow_s_ >= slow_step_s) {
        slow_changes(since_slow_s_);
        since_slow_s_ = 0.0;
    }
    switch_aerator(dt_s);
    run_aerator(dt_s);
    balance(dt_s);
}

double Tank::hour() const {
    return std::fmod(day_of_year() * 24.0, 24.0);
}

double Tank::day_of_year() const {
    return settings_.start_day_of_year + elapsed_s_ / day_s;
}

double Tank::load() const {
    double load = 1.0 + load_wander_.value();
    if (settings_.kind == WaterKind::intermittent || settings_.kind == WaterKind::continuous) {
        // Two humps a day, morning and evening, least before dawn: the usual shape of household sewage.
        load += settings_.load_day_swing * (0.7 * wave(hour(), 15.0, 24.0) + 0.3 * wave(hour(), 9.0, 12.0));
    } else {
        load += settings_.load_day_swing * wave(hour(), 14.0, 24.0) +
                settings_.feeding_rise * feeding_effect(hour(), settings_.feedings_per_day);
    }
    return std::max(0.1, load);
}

// Sine of the sun's height at 45 degrees north, dimmed by cloud; 1 would be the zenith.
double Tank::daylight() const {
    double const declination = -0.409 * std::cos(full_circle * (day_of_year() + 10.0) / 365.25);
    double const height = std::numbers::sqrt2 / 2.0 *
                          (std::sin(declination) + std::cos(declination) * wave(hour(), 12.0, 24.0));
    return std::max(0.0, height) * std::clamp(0.75 + 0.2 * cloud_.value(), 0.15, 1.0);
}

void Tank::slow_changes(double dt_s) {
    cloud_.step(dt_s, random_);
    load_wander_.step(dt_s, random_);
    load_ = load() * influence_.uptake_factor;
    light_ = daylight() / 0.92;  // the sun's height at noon of midsummer, so that 1 is the clearest noon
    shift_c_ += (influence_.temperature_shift_c - shift_c_) * (1.0 - std::exp(-dt_s / (8.0 * hour_s)));
    double const season = settings_.season_swing_c * std::cos(full_circle * (day_of_year() - 205.0) / 365.25);
    double const day = settings_.day_swing_c * wave(hour(), 16.0, 24.0);
    // Deep enough, or fed warm enough, not to freeze.
    state_.temperature_c = std::clamp(
        settings_.mean_temperature_c + season + day + warmth_.step(dt_s, random_) + shift_c_, 2.0, 36.0);
    // Weather moves a barometer by a few per cent; beyond 2 % of the mean is left out.
    double const weather_hpa = std::clamp(pressure_.step(dt_s, random_), -20.0, 20.0);
    state_.pressure_hpa = settings_.mean_pressure_hpa + weather_hpa;
    state_.saturation_mg_l =
        saturation_mg_l(state_.temperature_c, settings_.salinity_psu, state_.pressure_hpa);
    kla_warm_ = std::pow(1.024, state_.temperature_c - 20.0);
    uptake_warm_ = std::pow(1.07, state_.temperature_c - 20.0);
}

double Tank::half_cycle_s(bool on) {
    double const minutes = on ? settings_.on_min : settings_.off_min;
    return minutes * 60.0 * std::max(0.3, 1.0 + settings_.cycle_jitter * random_.normal());
}

void Tank::command(bool on) {
    if (on != on_) {
        on_ = on;
        half_cycle_left_s_ = half_cycle_s(on);
        dead_left_s_ = settings_.aerator_dead_s;
    }
}

void Tank::switch_aerator(double dt_s) {
    measured_mg_l_ += (oxygen_mg_l_ - measured_mg_l_) * std::min(1.0, dt_s / 30.0);
    half_cycle_left_s_ -= dt_s;
    bool const by_timer = settings_.kind == WaterKind::intermittent ||
                          (settings_.kind == WaterKind::continuous && settings_.pauses);
    if (by_timer) {
        if (half_cycle_left_s_ <= 0.0) {
            command(!on_);
        }
    } else if (settings_.kind != WaterKind::continuous) {
        double const percent = 100.0 * measured_mg_l_ / state_.saturation_mg_l;
        command(on_ ? percent < settings_.off_above_percent : percent < settings_.on_below_percent);
    }
    state_.aeration = on_ && influence_.power;
}

// What the controller asks of the blower: full air, or the air that holds the setpoint.
double Tank::wanted_air(double dt_s) {
    if (!state_.aeration) {
        return 0.0;
    }
    if (settings_.setpoint_mg_l <= 0.0) {
        return 1.0;
    }
    // Gains for a crossover near one radian in two minutes at the tank's own pace; integral time 5 min.
    double const gain = 1.0 / (120.0 * settings_.kla_per_h / hour_s * 7.0);
    double const error = settings_.setpoint_mg_l - measured_mg_l_;
    control_integral_ = std::clamp(control_integral_ + gain * error * dt_s / 300.0, 0.1, 1.0);
    return std::clamp(gain * error + control_integral_, 0.1, 1.0);
}

void Tank::run_aerator(double dt_s) {
    double const wanted = wanted_air(dt_s);
    dead_left_s_ -= dt_s;
    if (dead_left_s_ > 0.0 && influence_.power) {
        return;
    }
    state_.airflow += (wanted - state_.airflow) * (1.0 - std::exp(-dt_s / settings_.aerator_run_s));
}

void Tank::balance(double dt_s) {
    double const kla = (settings_.kla_per_h * influence_.kla_factor * state_.airflow +
                        settings_.kla_idle_per_h + influence_.extra_idle_kla_per_h) *
                       kla_warm_ / hour_s;
    double const uptake = settings_.uptake_mg_l_h * load_ * uptake_warm_ / hour_s;
    double const gain = kla * state_.saturation_mg_l + settings_.photosynthesis_mg_l_h * light_ / hour_s;
    // Implicit in C, with the Monod denominator of the step before: never negative, exact where it settles.
    double const loss = kla + uptake / (settings_.half_saturation_mg_l + oxygen_mg_l_);
    oxygen_mg_l_ = (oxygen_mg_l_ + dt_s * gain) / (1.0 + dt_s * loss);
    // Water without oxygen is the same everywhere, so movement shrinks with it.
    state_.movement_mg_l = settings_.movement_mg_l * influence_.movement_factor *
                           (0.3 + 0.7 * state_.airflow) * std::min(1.0, oxygen_mg_l_);
    double const shared = 0.7 * state_.movement_mg_l * shared_movement_.step(dt_s, random_);
    state_.do_mg_l = std::max(0.0, oxygen_mg_l_ + shared);
}

}  // namespace probekeeper::physics

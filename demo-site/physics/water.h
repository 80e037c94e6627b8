// The water of one tank or pond: its oxygen balance dC/dt = kLa (C* - C) - uptake + photosynthesis, under an
// aerator that somebody or something switches, a load that follows the day, and weather.
//
//     Random random{seed};
//     Tank tank{typical_tank(WaterKind::intermittent, random), random.fork(1)};
//     tank.step(2.5);  tank.state().do_mg_l ...
#pragma once

#include "physics/random.h"

namespace probekeeper::physics {

enum class WaterKind {
    intermittent,  // wastewater, aerator on and off in turns
    continuous,    // wastewater, air modulated to hold a setpoint; perhaps with pauses
    fish,          // fish tank, oxygenation switched between two levels of saturation
    pond           // daylight photosynthesis, paddle wheel at night
};

struct TankSettings {
    WaterKind kind = WaterKind::intermittent;
    double start_day_of_year = 60.0;  // 0..365, with the time of day (UTC, local solar) as its fraction

    double salinity_psu = 0.0;
    double mean_pressure_hpa = 1013.25;
    double mean_temperature_c = 15.0;  // in the middle of the year; the season adds to it
    double season_swing_c = 6.0;       // half the difference of warmest and coldest day
    double day_swing_c = 0.5;

    double kla_per_h = 8.0;              // with the aerator at full air, 20 degC
    double kla_idle_per_h = 0.05;        // surface and mixing, with no air
    double uptake_mg_l_h = 40.0;         // at mean load, 20 degC, oxygen plentiful
    double half_saturation_mg_l = 0.3;   // Monod
    double load_day_swing = 0.3;         // part of the uptake that follows the day
    double photosynthesis_mg_l_h = 0.0;  // at noon of a clear midsummer day

    double on_min = 30.0, off_min = 30.0;  // intermittent; continuous: pauses of off_min every on_min
    double cycle_jitter = 0.15;            // relative, of each half cycle; 0 = by the clock
    bool pauses = true;                    // continuous: false = air never stops
    double setpoint_mg_l = 0.0;            // intermittent and continuous: air modulated to it; 0 = full air
    double on_below_percent = 75.0, off_above_percent = 90.0;  // fish and pond: the switch, of saturation
    double feedings_per_day = 0.0;
    double feeding_rise = 0.8;  // of the uptake, for about an hour

    double aerator_dead_s = 4.0;  // from the switch until the air begins to change
    double aerator_run_s = 8.0;   // time constant of run-up and run-down

    double movement_mg_l =
        0.02;  // of the water past the probes with the air on, at DO of 1 mg/L and more; rms
};

// What happens to a tank beyond its habits. Neutral as built.
struct Influence {
    double kla_factor = 1.0;  // a fouled diffuser: 0.5
    double uptake_factor = 1.0;
    double movement_factor = 1.0;  // a new paddle wheel, a storm
    double temperature_shift_c = 0.0;
    double extra_idle_kla_per_h = 0.0;  // oxygen that never ends: a leaking valve, inflow with oxygen
    bool power = true;                  // false: the aerator stands, whatever is commanded
};

struct WaterState {
    double do_mg_l = 0.0;
    double saturation_mg_l = 9.0;  // in equilibrium with air, here and now
    double temperature_c = 15.0;
    double salinity_psu = 0.0;
    double pressure_hpa = 1013.25;
    double airflow = 0.0;        // at the diffusers, 0..1 of full
    bool aeration = false;       // commanded: what a site's bit says
    double movement_mg_l = 0.0;  // rms movement of the water at a probe, which each probe sees its own way
};

// Plausible settings, each drawn within what such waters do. Documented in the .cpp, common practice, no
// source.
[[nodiscard]] TankSettings typical_tank(WaterKind kind, Random& random);

class Tank {
public:
    Tank(TankSettings const& settings, Random random);

    // Advances by dt_s, 0 < dt_s <= 10: beyond, the oxygen balance is no longer resolved at high kLa.
    void step(double dt_s);

    [[nodiscard]] WaterState const& state() const { return state_; }
    [[nodiscard]] TankSettings const& settings() const { return settings_; }
    [[nodiscard]] Influence& influence() { return influence_; }
    [[nodiscard]] double elapsed_s() const { return elapsed_s_; }

private:
    void slow_changes(double dt_s);
    void switch_aerator(double dt_s);
    void run_aerator(double dt_s);
    void balance(double dt_s);
    void command(bool on);
    [[nodiscard]] double wanted_air(double dt_s);
    [[nodiscard]] double hour() const;
    [[nodiscard]] double day_of_year() const;
    [[nodiscard]] double load() const;
    [[nodiscard]] double daylight() const;
    [[nodiscard]] double half_cycle_s(bool on);

    TankSettings settings_;
    Random random_;
    Influence influence_;
    WaterState state_;
    double elapsed_s_ = 0.0;
    double oxygen_mg_l_ = 5.0;   // of the bulk; state_ adds what moves past the probes
    double since_slow_s_ = 0.0;  // since slow_changes()
    double shift_c_ = 0.0;       // influence_.temperature_shift_c as far as the water has followed
    double light_ = 0.0, load_ = 1.0, kla_warm_ = 1.0, uptake_warm_ = 1.0;
    bool on_ = true;  // as the site commands it, power or not
    double half_cycle_left_s_ = 0.0;
    double dead_left_s_ = 0.0;
    double control_integral_ = 0.5;  // of the site's own controller, in parts of full air
    double measured_mg_l_ = 0.0;     // what that controller sees, lagged
    Wander pressure_, warmth_, load_wander_, cloud_, shared_movement_;
};

}  // namespace probekeeper::physics
